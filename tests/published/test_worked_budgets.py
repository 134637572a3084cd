"""Loss budgets printed in guides, courses and exercises, worked by the planner's own budget.

Each example keeps its number (W01 to W15) in tests/data/worked_loss_examples.csv, which names the kind of
guide, the inputs, the formula, the printed answer and its tolerance. Answers marked there as derived are our
arithmetic on printed inputs.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from links import budget, link, printed

from planner.health.loss_budget import (
    TEST_COLUMNS,
    power_budget_db,
    reach_km,
    statistical_loss_db,
    two_way_loss_db,
)
from planner.health.otdr_placement import merge_directions
from planner.standards.lookup import Limits, limits_with, standard_limits
from planner.standards.physics import dbm_from_mw


def answer(example: str, quantity: str) -> object:
    """The printed value of one quantity, with the tolerance of its printed digits."""
    rows = [row for row in printed("worked_loss_examples.csv") if row["w_id"] == example]
    found = [row for row in rows if row["quantity"] == quantity]
    assert len(found) == 1, f"{example}: {quantity} in {sorted(row['quantity'] for row in rows)}"
    return pytest.approx(float(found[0]["value"]), abs=float(found[0]["tolerance"]))


def own_limits(path: Path, cable: float, connection: float, splice: float) -> Limits:
    """The values of a guide as an operator's own limits: dB/km, dB per mated pair, dB per splice."""
    file = path / "guide.csv"
    file.write_text(
        "subject,item,statistic,value\n"
        f"cable,any,typical,{cable}\ngrade,A;B;C;D,mean,{connection}\ngrade,A;B;C;D,p97,{connection}\n"
        f"splice,any,typical,{splice}\n",
        encoding="utf-8",
    )
    return limits_with(file)


@pytest.mark.parametrize(
    ("db_per_km_item", "quantity"), [("OS1", "reach OS1a"), ("indoor-outdoor SM", "reach indoor/outdoor")]
)
def test_w01_reach_of_100gbase_fr1(db_per_km_item: str, quantity: str) -> None:
    """W01, trade association: 4.0 dB channel less 3.0 dB connections over 1.0 or 0.5 dB/km is 1 or 2 km."""
    limits = standard_limits()
    app = limits.application("100GBASE-FR1", "OS2")
    assert app is not None and app.max_loss is not None and app.connection_loss is not None
    per_km = limits.get("cable", "max", (db_per_km_item,), 1310.0).value
    assert reach_km(app.max_loss.value - app.connection_loss.value, per_km) == answer("W01", quantity)


@pytest.mark.parametrize(("example", "name"), [("W02", "40GBASE-LR4"), ("W03", "400GBASE-LR8")])
@pytest.mark.parametrize(
    ("item", "quantity"),
    [("OS1", "reach OS1a"), ("indoor-outdoor SM", "reach indoor/outdoor"), ("OS2", "reach OS2")],
)
def test_w02_w03_reach_from_the_cable_allowance(example: str, name: str, item: str, quantity: str) -> None:
    """W02 and W03, trade association: 10 km of OS2 cable set the allowance, 4.0 dB, for every cable."""
    limits = standard_limits()
    app = limits.application(name, "OS2")
    assert app is not None and app.reach_m is not None
    allowance = app.reach_m / 1000.0 * limits.get("cable", "max", ("OS2",), 1310.0).value
    assert reach_km(allowance, limits.get("cable", "max", (item,), 1310.0).value) == answer(example, quantity)


def test_w02_is_not_the_channel_less_the_connections() -> None:
    """W02's trap: (6.7 - 2.0) / 0.4 is 11.75 km, not the 10 km printed, since 6.7 dB hold at another lane."""
    app = standard_limits().application("40GBASE-LR4", "OS2")
    assert app is not None and app.max_loss is not None and app.connection_loss is not None
    assert reach_km(app.max_loss.value - app.connection_loss.value, 0.4) == pytest.approx(11.75)


@pytest.mark.parametrize(("name", "connectors", "index"), [("10GBASE-ER", 1.5, 0), ("100GBASE-ER4", 2.0, 1)])
def test_w04_cable_allowance_of_40_km_channels(name: str, connectors: float, index: int) -> None:
    """W04, standards working group mail: (11 - 1.5) / 40 and (18 - 2) / 40 dB/km."""
    app = standard_limits().application(name, "OS2")
    assert app is not None and app.max_loss is not None and app.reach_m is not None
    rows = [row for row in printed("worked_loss_examples.csv") if row["w_id"] == "W04"]
    allowed = (app.max_loss.value - connectors) / (app.reach_m / 1000.0)
    assert allowed == pytest.approx(float(rows[index]["value"]), abs=float(rows[index]["tolerance"]))


def test_w04_channel_of_40gbase_er4(tmp_path: Path) -> None:
    """W04, standards working group mail: 17.25 dB of cable and 1.5 dB of connectors are 18.75 dB."""
    limits = own_limits(tmp_path, cable=17.25 / 40.0, connection=0.75, splice=0.0)
    row = budget(link([("OS2", 40.0)], 2), limits, 1264.5).circuits.iloc[0]
    assert row["typical_db"] == answer("W04", "channel loss")


def w05_row(measured_db: float) -> pd.Series:
    """Budget row of W05: 19.5 dB of power budget, 13.0 dB at acceptance, then a later measurement."""
    at = [pd.Timestamp("2030-01-01"), pd.Timestamp("2030-06-01")]
    values = ("X", 1310.0, 13.0, at[0], measured_db, at[1], 2, 1, 1)
    tests = pd.DataFrame([dict(zip(TEST_COLUMNS, values, strict=True))])
    spent = budget(link([("OS2", 20.0)], 4), standard_limits(), 1310.0, power_budget_db(1.5, -18.0), tests=tests)
    return spent.circuits.iloc[0]


def test_w05_dirty_connector_case() -> None:
    """W05, engineering education (inputs printed, results derived): dirt takes 3.8 dB of a 6.5 dB margin."""
    assert power_budget_db(1.5, -18.0) == answer("W05", "power budget")
    clean, dirty = w05_row(13.0), w05_row(13.0 + 3.8)
    handled, cleaned = w05_row(13.0 + 3.8 + 1.1), w05_row(12.95)
    assert clean["as_built_db"] == answer("W05", "baseline path loss")
    assert clean["margin_db"] == answer("W05", "margin before")
    assert dirty["measured_db"] == answer("W05", "path loss when dirty")
    assert dirty["margin_db"] == answer("W05", "margin when dirty")
    assert 3.0 - dirty["margin_db"] == answer("W05", "shortfall against 3 dB reserve")
    assert 1.5 - dirty["measured_db"] == answer("W05", "received power when dirty")
    assert handled["margin_db"] == answer("W05", "margin dirty + handling penalty")
    assert cleaned["margin_db"] == answer("W05", "margin after cleaning")
    assert 1.5 - cleaned["measured_db"] == answer("W05", "received power after cleaning")
    assert dirty["measured_db"] - cleaned["measured_db"] == answer("W05", "recovery by cleaning")


def test_w06_textbook_power_budget(tmp_path: Path) -> None:
    """W06, university exercise (inputs printed, results derived): 0.1 mW, 0.5 km at 6 dB/km, 2 x 2 dB, -35 dBm."""
    launch = float(dbm_from_mw(0.1))
    assert launch == answer("W06", "transmit power")
    limits = own_limits(tmp_path, cable=6.0, connection=2.0, splice=0.0)
    row = budget(link([("OM2", 0.5)], 2), limits, 850.0, power_budget_db(launch, -35.0)).circuits.iloc[0]
    assert row["typical_db"] == answer("W06", "link loss without margin")
    assert launch - row["typical_db"] == answer("W06", "received power")
    assert row["margin_db"] == answer("W06", "excess over sensitivity")
    assert row["margin_db"] - 4.0 == answer("W06", "excess after 4 dB margin")


def test_w07_two_way_reflectometer_loss() -> None:
    """W07, course: a splice read as 0.20 dB one way and 0.10 dB the other loses 0.15 dB."""
    assert float(two_way_loss_db(0.20, 0.10)) == answer("W07", "splice loss")
    way = {"circuit_id": "X", "wavelength_nm": 1310.0, "position": 5.0, "element_kind": "splice", "element_id": "S"}
    way |= {"same_as": "", "place_m": 100.0, "reflectance_db": np.nan, "event_no": 1, "at": pd.Timestamp("2030-01-01")}
    both = pd.DataFrame(
        [
            way | {"direction": "a_to_z", "trace_id": "T1", "loss_db": 0.20},
            way | {"direction": "z_to_a", "trace_id": "T2", "loss_db": 0.10},
        ]
    )
    assert merge_directions(both)["loss_db"].iloc[0] == answer("W07", "splice loss")


def test_w08_ten_kilometres_with_a_safety_margin(tmp_path: Path) -> None:
    """W08, an engineer's notes: 10 x 0.35 + 0.01 + 2 x 0.5 + 3 dB safety is 7.51 dB."""
    limits = own_limits(tmp_path, cable=0.35, connection=0.5, splice=0.01)
    row = budget(link([("G.652.D", 10.0)], 2, splices=1), limits, 1310.0).circuits.iloc[0]
    assert row["typical_db"] + 3.0 == answer("W08", "total loss")


def test_w09_ten_kilometres_of_a_forum(tmp_path: Path) -> None:
    """W09, engineers' forum: 10 x 0.4 + 3 x 1.0 + 4 x 0.1 is 7.4 dB, which leaves 2.1 of 9.5 dB."""
    limits = own_limits(tmp_path, cable=0.4, connection=1.0, splice=0.1)
    row = budget(link([("G.652.D", 10.0)], 3, splices=4), limits, 1310.0, 9.5).circuits.iloc[0]
    assert row["typical_db"] == answer("W09", "total loss")
    assert row["margin_db"] == pytest.approx(2.1)


def test_w10_mean_and_three_sigma(tmp_path: Path) -> None:
    """W10, an equipment maker's planning guide: means 11.05 dB, three sigma 1.31 dB, link 12.86 dB.

    The guide prints 0.04 for the system variance but its root holds 0.05, which we follow.
    """
    file = tmp_path / "guide.csv"
    file.write_text(
        "subject,item,statistic,value\ncable,any,typical,0.5\ncable,OS1,typical,0.8\ncable,any,relative sd,0\n"
        "grade,C,mean,0.35\ngrade,C,p97,0.35\nsplice,any,typical,0.15\nsplice,any,variance,0.01\n",
        encoding="utf-8",
    )
    elements = link([("OS2", 19.76), ("OS1", 0.21)], 2, splices=2)
    result = budget(elements, limits_with(file), 1310.0)
    rows = result.elements
    trunk = rows[rows["element_id"] == "K0"]["typical_db"].iloc[0]
    assert trunk == answer("W10", "trunk loss")
    row = result.circuits.iloc[0]
    assert row["typical_db"] == answer("W10", "component mean loss")
    variances = np.array([0.06, 0.06, 0.01, 0.01])
    assert variances.sum() == answer("W10", "component variance")
    assert row["typical_sd_db"] ** 2 == pytest.approx(variances[2:].sum())
    means = np.array([float(row["typical_db"])])
    spread = statistical_loss_db(means, variances, 0.05) - means[0]
    assert spread == answer("W10", "3 x root variance")
    assert statistical_loss_db(means, variances, 0.05, 0.5) == answer("W10", "calculated link loss")


@pytest.mark.parametrize(("clock_recovery_db", "index"), [(1.0, 0), (0.0, 1)])
def test_w11_multimode_margin(tmp_path: Path, clock_recovery_db: float, index: int) -> None:
    """W11, equipment makers' hardware guides: 13 dB less 2 x 1 + 5 x 0.5 + 2 x 0.5 + 0.5 (+ 1) leaves 7 (6) dB."""
    limits = own_limits(tmp_path, cable=1.0, connection=0.5, splice=0.5)
    allowed = 13.0 - 0.5 - clock_recovery_db
    row = budget(link([("OM1", 2.0)], 5, splices=2), limits, 1300.0, allowed).circuits.iloc[0]
    rows = [each for each in printed("worked_loss_examples.csv") if each["w_id"] == "W11"]
    assert row["margin_db"] == pytest.approx(float(rows[index]["value"]), abs=float(rows[index]["tolerance"]))


def test_w12_single_mode_margin(tmp_path: Path) -> None:
    """W12, equipment makers' hardware guides: 13 dB less 8 x 0.5 and 7 x 0.5 leaves 5.5 dB."""
    limits = own_limits(tmp_path, cable=0.5, connection=0.5, splice=0.0)
    row = budget(link([("OS2", 8.0)], 7), limits, 1310.0, 13.0).circuits.iloc[0]
    assert row["margin_db"] == answer("W12", "power margin")


def test_w13_industrial_link(tmp_path: Path) -> None:
    """W13, an equipment maker's commissioning notes: 1.68 + 0.5 + 0.9 = 3.08 dB of a budget of 7.5 dB."""
    limits = own_limits(tmp_path, cable=0.8, connection=0.25, splice=0.3)
    result = budget(link([("OM2", 2.1)], 2, splices=3), limits, 1300.0, 7.5)
    part = result.elements.groupby(result.elements["element_kind"].astype(str))["typical_db"].sum()
    assert part["cable"] == answer("W13", "fibre")
    assert part["mated_pair"] == answer("W13", "connectors")
    assert part["splice"] == answer("W13", "splices")
    assert result.circuits["typical_db"].iloc[0] == answer("W13", "attenuation budget")
    assert result.circuits["margin_db"].iloc[0] == answer("W13", "power buffer")


@pytest.mark.parametrize(("launch", "sensitivity", "index"), [(-18.5, -30.0, 0), (-15.0, -28.0, 1)])
def test_w14_power_budgets_are_positive(launch: float, sensitivity: float, index: int) -> None:
    """W14, an equipment maker's installation guide: T less PR is 11.5 and 13 dB (its table prints a minus)."""
    rows = [row for row in printed("worked_loss_examples.csv") if row["w_id"] == "W14"]
    assert power_budget_db(launch, sensitivity) == pytest.approx(float(rows[index]["value"]), abs=0.005)


@pytest.mark.parametrize(("wavelength", "typical"), [(850.0, 3.0), (1300.0, 1.0)])
def test_w15_hybrid_link(tmp_path: Path, wavelength: float, typical: float) -> None:
    """W15, trade association (from memory): 2 km, five connections, one splice; limits are the shipped ones."""
    limits = own_limits(tmp_path, cable=typical, connection=0.5, splice=0.3)
    row = budget(link([("OM1", 2.0)], 5, splices=1), limits, wavelength).circuits.iloc[0]
    assert row["typical_db"] == answer("W15", f"{wavelength:g} nm typical")
    assert row["maximum_db"] == answer("W15", f"{wavelength:g} nm limit")


def test_every_published_answer_is_checked() -> None:
    """No printed answer of the table is left out: each quantity is named by a check of this file."""
    text = Path(__file__).read_text(encoding="utf-8")
    indexed = {"W04", "W11", "W14"}
    for row in printed("worked_loss_examples.csv"):
        assert f'"{row["w_id"]}"' in text, row
        if row["w_id"] not in indexed and not row["quantity"].startswith(("850 nm", "1300 nm")):
            assert f'"{row["quantity"]}"' in text, row
