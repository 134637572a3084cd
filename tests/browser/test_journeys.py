"""What network operations, dispatch and managers do with the dashboard, with real clicks."""

from __future__ import annotations

from pathlib import Path

import pytest
from conftest import Visit
from playwright.sync_api import expect

pytestmark = pytest.mark.browser
expect.set_options(timeout=15_000)


def test_operations_follow_a_fault_to_its_end_face(visit: Visit) -> None:
    """From the first page to the suspected end face, its evidence, its circuit, and back, by clicks."""
    page = visit.open("/")
    row = page.locator("tr", has=page.get_by_role("link", name="K-1", exact=True)).first
    expect(row).to_contain_text("Received at Z fell 0.90 dB about 1 Mar 2031")
    row.get_by_role("link", name="C-4").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("End face C-4")
    assert visit.address() == "/connector?id=C-4"
    expect(page.get_by_role("region", name="Each line moves the odds")).to_contain_text("opened, then K-1 lost 0.9 dB")
    page.get_by_role("region", name="By priority.").get_by_role("link", name="K-1").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Circuit K-1")
    expect(page.locator("tr.suspect")).to_contain_text("most suspected")
    page.get_by_role("link", name="1550 nm").click()
    expect(page.locator("main .lead")).to_contain_text("3.60")
    assert visit.address() == "/circuit?id=K-1&nm=1550"
    page.reload()
    visit.settle()
    expect(page.locator("main .lead")).to_contain_text("3.60")
    page.go_back()
    page.go_back()
    expect(page.get_by_role("heading", level=1)).to_have_text("End face C-4")


def test_operations_filter_the_first_page(visit: Visit) -> None:
    """A choice goes into the address, is marked as chosen, and the address reopens it."""
    page = visit.open("/")
    page.get_by_role("navigation", name="Region").get_by_role("link", name="South").click()
    expect(page.get_by_role("navigation", name="Region").locator("[aria-current]")).to_have_text("South")
    assert visit.address() == "/?region=South"
    visit.open("/?region=South&cause=splice")
    expect(page.locator("main")).to_contain_text("No circuit is in this state with these filters")


def test_dispatch_opens_a_stop_and_takes_the_work_list(visit: Visit, tmp_path: Path) -> None:
    """A stop opens from the list and from the timeline; its jobs, reasons and cautions show; the list downloads."""
    page = visit.open("/dispatch")
    page.get_by_role("link", name="2. Quay 7").click()
    expect(page.locator("#stop")).to_contain_text("Stop 2")
    assert "stop=2" in visit.address()
    expect(page.get_by_role("region", name="Jobs in order")).to_contain_text("C-6 is suspected on K-1")
    expect(page.get_by_role("region", name="Cautions")).to_contain_text("live")
    with page.expect_download() as download:
        page.get_by_role("link", name="Work list (CSV)").first.click()
    target = tmp_path / "list.csv"
    download.value.save_as(target)
    assert "C-4" in target.read_text(encoding="utf-8-sig")
    visit.open("/dispatch?plan=PL-1")
    bars = page.locator(".figure .bars .points .point path")
    box = bars.nth(4).bounding_box()  # two drives, one wait (drawn thin), then the work bars
    assert box is not None
    page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.wait_for_url("**stop=*")


def test_managers_read_costs_offenders_and_the_back_test(visit: Visit) -> None:
    """Costs, repeat offenders, habits and what was learned on one page; whether the ranking was right behind a link."""
    page = visit.open("/")
    page.get_by_role("navigation", name="Pages").get_by_role("link", name="Patterns").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Where trouble repeats")
    main = page.locator("main")
    for words in ("8 work orders", "TECH-2", "works 74 % of the time", "1,500 customer-minutes"):
        expect(main).to_contain_text(words)
    page.get_by_text("figures with their 90 % intervals").click()
    expect(page.get_by_role("region", name="Estimate, interval")).to_contain_text("0.740")
    page.get_by_role("link", name="Has the ranking been right?").click()
    expect(main).to_contain_text("60 of 400 end faces")
    page.get_by_role("navigation", name="Ranked on").get_by_role("link").first.click()
    expect(main).to_contain_text("6 of 45 end faces")
    assert visit.address().startswith("/backtest?day=")


def test_the_ranking_sorts_filters_and_scrolls_to_any_depth(visit: Visit) -> None:
    """Sorting and filters go into the address and come back from it; far rows are filled in."""
    page = visit.open("/connectors")
    expect(page.get_by_role("status").first).to_have_text("20,008 end faces.")
    expect(page.locator(".ag-row[row-index='0']").first).to_contain_text("C-4")
    page.locator(".ag-body-viewport").evaluate("each => { each.scrollTop = each.scrollHeight * 0.9 }")
    page.wait_for_function(
        "() => { const rows = [...document.querySelectorAll('.ag-pinned-left-cols-container .ag-row')];"
        " return rows.length > 5 && rows.every(row => row.innerText.trim().startsWith('X-01')) }"
    )
    visit.open("/connectors?by=probability&p_contaminated=ge:0.2&sort=-p_contaminated")
    expect(page.get_by_role("status").first).to_contain_text("3 end faces of 20,008 pass the filters")
    first = page.locator(".ag-pinned-left-cols-container .ag-row[row-index='0']")
    expect(first).to_contain_text("C-4")
    page.locator(".ag-header-cell[col-id='p_contaminated'] .ag-header-cell-label").click()
    page.wait_for_function("() => !location.search.includes('sort=')")
    page.locator(".ag-header-cell[col-id='p_contaminated'] .ag-header-cell-label").click()
    page.wait_for_url("**sort=p_contaminated**")
    expect(first).to_contain_text("C-2")
    address = visit.address()
    visit.open(address)
    expect(first).to_contain_text("C-2")
    page.get_by_role("button", name="Clear sorting and filters").click()
    expect(page.get_by_role("status").first).to_have_text("20,008 end faces.")
    first.get_by_role("link").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("End face")


def test_search_by_keyboard(visit: Visit) -> None:
    """The first tab stop skips to the content; a search needs no mouse and lands where it says."""
    page = visit.open("/")
    page.keyboard.press("Tab")
    expect(page.locator(":focus")).to_have_text("Skip to the content")
    field = page.get_by_role("searchbox", name="Find")
    field.fill("harbour")
    field.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_contain_text("harbour")
    page.get_by_role("link", name="K-2").first.focus()
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_contain_text("Circuit K-2")


def test_dark_and_light(visit: Visit) -> None:
    """The switch turns the page and its figures, and the choice is kept for the next visit."""
    page = visit.open("/circuit?id=K-1")
    ink = "() => getComputedStyle(document.querySelector('.figure .xtick text')).fill"
    light = page.evaluate(ink)
    ground = page.evaluate("() => getComputedStyle(document.body).backgroundColor")
    page.get_by_role("button", name="Dark").click()
    expect(page.locator("html")).to_have_attribute("data-theme", "dark")
    page.wait_for_function(f"light => ({ink})() !== light", arg=light)
    assert page.evaluate("() => getComputedStyle(document.body).backgroundColor") != ground
    page.reload()
    visit.settle()
    expect(page.locator("html")).to_have_attribute("data-theme", "dark")
    expect(page.get_by_role("button", name="Dark")).to_have_attribute("aria-pressed", "true")


VIEWS = (
    "/",
    "/circuits",
    "/circuit?id=K-1",
    "/connectors",
    "/connector?id=C-4",
    "/dispatch",
    "/patterns",
    "/backtest",
    "/method",
)


def test_phone_width(phone: Visit) -> None:
    """No view is wider than a phone, and a phone that prefers dark gets dark."""
    too_wide = []
    for view in VIEWS[:8]:
        page = phone.open(view)
        if page.evaluate("document.documentElement.scrollWidth") > 390:
            too_wide.append(view)
    assert too_wide == []
    expect(page.locator("html")).to_have_attribute("data-theme", "dark")


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_accessibility_rules(visit: Visit, theme: str) -> None:
    """The rules of axe-core (WCAG 2.1 A and AA, and its best practices) find nothing on any view, in either theme."""
    rules = (Path(__file__).parent / "axe" / "axe.min.js").read_text(encoding="utf-8")
    visit.page.emulate_media(color_scheme=theme)  # type: ignore[arg-type]
    found = []
    for view in VIEWS if theme == "light" else ("/circuit?id=K-1",):
        page = visit.open(view)
        if view in ("/connectors", "/circuits"):
            page.wait_for_selector(".ag-row")
        page.evaluate(rules)
        result = page.evaluate(
            "() => axe.run(document, {resultTypes: ['violations'], runOnly: {type: 'tag', values: "
            "['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'best-practice']}})"
        )
        for violation in result["violations"]:
            nodes = [node["html"][:160] for node in violation["nodes"][:3]]
            found.append(f"{view}: {violation['id']} ({len(violation['nodes'])}x): {nodes}")
    assert found == [], "\n".join(found)
    # and the rules do find what is wrong: a button without a name
    visit.page.evaluate("() => document.querySelector('main').append(document.createElement('button'))")
    result = visit.page.evaluate("() => axe.run(document, {runOnly: ['button-name']})")
    assert [violation["id"] for violation in result["violations"]] == ["button-name"]
