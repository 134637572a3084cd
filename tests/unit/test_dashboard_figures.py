"""Figures and bars: frames in, plain figures out."""

from __future__ import annotations

from pathlib import Path

import dashboard_fleet
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dashboards.base_map.convert import convert
from dashboards.components import maps
from dashboards.components.bars import additive_table, evidence_table, probability_of
from dashboards.components.charts import day_figure, readings_figure
from planner.errors import InputError


@given(st.lists(st.floats(-30, 30), min_size=1, max_size=8))
@settings(max_examples=60, deadline=None)
def test_evidence_ends_in_the_probability_of_its_sum(decibans: list[float]) -> None:
    """The last row is the sum of the lines and the probability those odds stand for."""
    frame = pd.DataFrame({"text": ["line"] * len(decibans), "decibans": decibans})
    table = evidence_table("Evidence.", frame, "So:")
    foot = dashboard_fleet.text_of(table.children.children[-1])
    share = 1 / (1 + 10 ** (-sum(decibans) / 10))
    assert abs(probability_of(sum(decibans)) - share) < 1e-12
    assert "So:" in foot


def test_parts_that_are_unknown_are_said() -> None:
    """An unknown part is not drawn as zero; the total is that of the known ones."""
    table = additive_table("Parts.", [("a", "first", 2.0), ("b", "second", None)], "Unit", "Sum")
    words = dashboard_fleet.text_of(table)
    assert "not assessed" in words and words.endswith("+2.0")


def test_timeline_places_driving_waiting_and_work() -> None:
    """A stop that is reached before it opens shows driving, waiting and work end to end. Worked out by hand."""
    stops = pd.DataFrame(
        [
            {
                "crew_id": "W-1", "day_on": "2031-04-07", "stop_no": 1, "site_id": "S-1", "site_name": "North Hall",
                "arrive_at": "08:00", "start_at": "08:30", "leave_at": "09:10", "travel_min": 25.0, "benefit": 5.0,
            }
        ]
    )  # fmt: skip
    travel, wait, work = day_figure(stops, chosen=("W-1", "2031-04-07", 1), hrefs=["/x"])["data"]
    assert (travel["base"], travel["x"]) == ([455.0], [25.0])
    assert (wait["base"], wait["x"]) == ([480.0], [30.0])
    assert (work["base"], work["x"], work["marker"]["color"]) == ([510.0], [40.0], ["~act"])


def test_readings_show_baseline_band_and_step() -> None:
    """The control chart's band is three times the noise about the baseline."""
    frame = pd.DataFrame({"at": pd.to_datetime(["2031-01-01", "2031-01-02"]), "value": [-5.0, None]})
    spec = readings_figure([("A", frame, "watch")], "dBm", baseline=-5.0, noise=0.1, step_at=pd.Timestamp("2031-01-02"))
    band = spec["layout"]["shapes"][0]
    assert (band["y0"], band["y1"]) == pytest.approx((-5.3, -4.7))
    assert spec["data"][0]["y"] == [-5.0, None]
    assert spec["layout"]["annotations"][0]["text"].strip() == "step 2 Jan 2031"


def area(ring: np.ndarray) -> float:
    """Area of a ring by the shoelace formula."""
    if len(ring) < 3:
        return 0.0
    x, y = ring[:, 0], ring[:, 1]
    return abs(float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))) / 2


@given(st.integers(0, 10_000))
@settings(max_examples=40, deadline=None)
def test_clipping_keeps_the_area_inside_the_box(seed: int) -> None:
    """The clipped part of a triangle has the area that counting points inside both gives, within 3 %."""
    rng = np.random.default_rng(seed)
    triangle = rng.uniform(-1, 2, (3, 2))
    box = (0.0, 0.0, 1.0, 1.0)
    cut = maps.clipped(triangle, box)
    assert (cut >= -1e-9).all() and (cut <= 1 + 1e-9).all()
    grid = (np.stack(np.meshgrid(np.arange(120), np.arange(120)), axis=-1).reshape(-1, 2) + 0.5) / 120
    a, b, c = triangle
    sides = [
        (q[0] - p[0]) * (grid[:, 1] - p[1]) - (q[1] - p[1]) * (grid[:, 0] - p[0]) for p, q in ((a, b), (b, c), (c, a))
    ]
    inside = (np.minimum.reduce(sides) >= 0) | (np.maximum.reduce(sides) <= 0)
    assert abs(area(cut) - inside.mean()) < 0.03


def test_a_square_in_the_middle_of_land_is_all_land() -> None:
    """The carried outlines put 47 N 8 E (central Europe) on land and 45 N 30 W (mid Atlantic) at sea."""
    for centre, covered in (((8.0, 47.0), True), ((-30.0, 45.0), False)):
        box = (centre[0] - 0.2, centre[1] - 0.2, centre[0] + 0.2, centre[1] + 0.2)
        land = sum(area(maps.clipped(ring, box)) for ring in maps.outlines()[0] if maps._overlaps(ring, box))
        assert land == pytest.approx(0.16 if covered else 0.0, abs=1e-6)


def test_outlines_are_converted_from_a_topology() -> None:
    """Two countries that share a border give one land ring and one border. Drawn by hand."""
    topology = {
        "transform": {"scale": [1, 1], "translate": [0, 0]},
        "arcs": [[[1, 0], [0, 1]], [[1, 1], [-1, 0], [0, -1], [1, 0]], [[1, 0], [1, 0], [0, 1], [-1, 0]]],
        "objects": {
            "countries": {
                "geometries": [{"type": "Polygon", "arcs": [[0, 1]]}, {"type": "Polygon", "arcs": [[2, -1]]}]
            },
            "land": {"geometries": [{"type": "MultiPolygon", "arcs": [[[2, 1]]]}]},
        },
    }
    outlines = convert(topology)
    assert len(outlines["land"]) == len(outlines["borders"]) == 1
    assert outlines["borders"][0] == [200, 0, 0, 200]
    assert area(maps.unpacked(outlines["land"][0], outlines["units_per_degree"])) == pytest.approx(2.0)


def test_own_base_map_is_read_or_refused(tmp_path: Path) -> None:
    """GeoJSON of the user's own is drawn; anything else is refused with what to give."""
    good = tmp_path / "own.geojson"
    good.write_text('{"type":"Feature","geometry":{"type":"LineString","coordinates":[[8,47],[9,48]]}}')
    assert maps.own_lines(good)[0].tolist() == [[8, 47], [9, 48]]
    for text in ("not json", '{"type":"Point","coordinates":[1,2]}', '{"type":"LineString","coordinates":[["a"]]}'):
        bad = tmp_path / f"bad{len(text)}.geojson"
        bad.write_text(text)
        with pytest.raises(InputError, match="GeoJSON"):
            maps.own_lines(bad)


@pytest.mark.parametrize("width", [0.01, 0.4, 3.0, 40.0])
def test_scale_bar_is_a_round_number_of_kilometres(width: float) -> None:
    """The bar says 1, 2 or 5 times a power of ten and is as long as it says."""
    box = (8.0, 47.0, 8.0 + width, 47.0 + width / 2)
    (line,), (words,) = maps.scale_bar(box)
    km = float(words["text"].split()[0])
    assert f"{km:e}"[0] in "125"
    middle = np.radians((box[1] + box[3]) / 2)
    assert (line["x1"] - line["x0"]) * 111.32 * np.cos(middle) == pytest.approx(km)
