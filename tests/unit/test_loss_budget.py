"""The loss budget of circuits: sums, assumptions, what a reference hides, margins, notes.

The link of most tests (GPON-B+, 1490 nm):

    P1 =equipment pair= K1 10 m OS2 =pair P2= K2 5 km S1(0.05 dB) K3 5 km =pair P3= 1:32 =pair P4, no face recorded=
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from planner.errors import ParameterError
from planner.health.loss_budget import (
    ELEMENT_COLUMNS,
    POWER_COLUMNS,
    TEST_COLUMNS,
    Budgets,
    circuit_budgets,
    hidden_connections,
    loss_test_sd_db,
    reach_km,
)
from planner.standards.lookup import standard_limits
from planner.tables.catalogue import TABLES

AT = pd.Timestamp("2030-02-01")


def face(port: str, polish: str = "APC", grade: str | None = "C", **more: Any) -> dict[str, Any]:
    """A connector at a port."""
    kind = {"element_kind": "connector", "element_id": port, "family": "SC", "role": "patch"}
    return {**kind, "polish": polish, "grade": grade, **more}


def cable(name: str, length_m: float, fibre: str = "G.652.D") -> dict[str, Any]:
    """A cable."""
    return {"element_kind": "cable", "element_id": name, "fibre_type": fibre, "length_m": length_m}


def link(circuit_id: str = "C1", **changes: Any) -> list[dict[str, Any]]:
    """The link of the docstring; `changes` replace values of the P2 pair."""
    rows = [
        face("P1", "UPC", "B", role="equipment"),
        {"element_kind": "adapter", "element_id": "P1"},
        face("P1", "UPC", "C", role="equipment"),
        cable("K1", 10.0, "OS2"),
        face("P2", **changes),
        face("P2", **changes),
        cable("K2", 5000.0),
        {"element_kind": "splice", "element_id": "S1", "splice_kind": "fusion", "splice_loss_db": 0.05},
        cable("K3", 5000.0),
        face("P3"),
        face("P3"),
        {"element_kind": "splitter", "element_id": "X", "ratio": 32},
        face("P4", role="equipment"),
    ]
    return [{"circuit_id": circuit_id, "position": number, **row} for number, row in enumerate(rows, start=1)]


def elements(rows: list[dict[str, Any]]) -> pd.DataFrame:
    """Rows as the frame the budget takes."""
    return pd.DataFrame(rows).reindex(columns=list(ELEMENT_COLUMNS))


def circuits(**changes: Any) -> pd.DataFrame:
    """One circuit of that link."""
    row = {"circuit_id": "C1", "a_port_id": "P1", "z_port_id": "P4", "application": "GPON-B+"}
    return pd.DataFrame([{**row, "wavelength_nm": 1490.0, "max_loss_db": np.nan, **changes}])


def measured_loss(**changes: Any) -> pd.DataFrame:
    """First and latest loss test of the circuit at 1310 nm."""
    values = dict(zip(TEST_COLUMNS, ("C1", 1310.0, 22.0, AT, 23.0, AT, 1, 1, 1), strict=True))
    return pd.DataFrame([{**values, **changes}])


def powered(**changes: Any) -> pd.DataFrame:
    """Power reported at both ends."""
    values = dict(zip(POWER_COLUMNS, ("C1", 3.0, -20.0, 2.0, -19.0, AT), strict=True))
    return pd.DataFrame([{**values, **changes}])


def budget(
    rows: list[dict[str, Any]] | None = None,
    asked: pd.DataFrame | None = None,
    tests: pd.DataFrame | None = None,
    powers: pd.DataFrame | None = None,
) -> Budgets:
    """The budget of the link, without tests and powers unless given."""
    return circuit_budgets(
        elements(link() if rows is None else rows),
        circuits() if asked is None else asked,
        measured_loss().iloc[:0] if tests is None else tests,
        powered().iloc[:0] if powers is None else powers,
        standard_limits(),
    )


def only(result: Budgets, wavelength: float = 1490.0) -> pd.Series:
    """The one row of a wavelength."""
    rows = result.circuits[result.circuits["wavelength_nm"] == wavelength]
    assert len(rows) == 1
    return rows.iloc[0]


def test_sums_by_hand() -> None:
    """Four pairs, cables, one recorded splice and the splitter add up to the values worked out by hand."""
    row = only(budget())
    # limit: 4 x 0.75 + 0.004 + 2 x 2.0 + 0.3 + 17.5; typical: 4 x 0.25 + 0.0025 + 2 x 1.25 + 0.05 + 17.0
    assert row["maximum_db"] == pytest.approx(3.0 + 0.004 + 4.0 + 0.3 + 17.5)
    assert row["typical_db"] == pytest.approx(1.0 + 0.0025 + 2.5 + 0.05 + 17.0)
    grade_c = (0.5 - 0.25) / 1.8808
    variance = 4 * grade_c**2 + (0.05 * 0.0025) ** 2 + 2 * (0.05 * 1.25) ** 2 + 0.25**2
    assert row["typical_sd_db"] == pytest.approx(np.sqrt(variance), rel=1e-4)
    assert row["allowed_db"] == 28.0
    assert row["margin_db"] == pytest.approx(28.0 - row["typical_db"])


def test_elements_add_up_to_the_circuit() -> None:
    """The element rows of each wavelength sum to the circuit's row, and a pair goes by its port."""
    result = budget(tests=measured_loss())
    for wavelength, rows in result.elements.groupby("wavelength_nm"):
        row = only(result, float(str(wavelength)))
        assert rows["typical_db"].sum() == pytest.approx(row["typical_db"])
        assert rows["maximum_db"].sum() == pytest.approx(row["maximum_db"])
    first = result.elements.iloc[0]
    assert (first["position"], first["element_kind"], first["element_id"]) == (1, "mated_pair", "P1")
    assert "grade C" in first["source"]


def test_columns_are_the_declared_ones() -> None:
    """Both frames hold exactly the declared columns."""
    result = budget()
    assert tuple(result.circuits.columns) == TABLES["circuit_budget"].column_names
    assert tuple(result.elements.columns) == TABLES["budget_elements"].column_names


def test_worse_grade_of_a_pair_counts() -> None:
    """A grade B plug in a grade C end face is taken as grade C."""
    assert budget().elements["typical_db"].iloc[0] == 0.25


def test_missing_grade_is_assumed_and_said() -> None:
    """Without a grade the default is taken, named in source and note, and the row is not confirmed."""
    result = budget(link(grade=None))
    pair = result.elements[result.elements["element_id"] == "P2"].iloc[0]
    assert pair["typical_db"] == 0.25
    assert "grade C (assumed)" in pair["source"]
    row = only(result)
    assert "grade not recorded at some end faces: grade C assumed" in row["note"]
    assert not row["confirmed"]


def test_arrays_have_their_own_limit_and_default() -> None:
    """An MPO pair without a grade takes grade D and the array limit."""
    pair = budget(link(grade=None, family="MPO")).elements.iloc[2]
    assert pair["typical_db"] == 0.5
    assert "from memory" in pair["source"]


def test_lone_end_face_of_equipment_counts_as_a_pair() -> None:
    """A plug in equipment whose own end face is not recorded still costs a mated pair, and is said."""
    result = budget()
    assert result.elements["element_id"].iloc[-1] == "P4"
    assert "end equipment without a recorded end face" in only(result)["note"]
    inner = [row for row in link() if row["position"] != 5]
    assert "P2" not in set(budget(inner).elements["element_id"])


def test_unrecorded_splice_takes_the_planning_value() -> None:
    """A splice without a recorded loss is expected at 0.15 dB with a spread of 0.1 dB."""
    rows = link()
    rows[7] = {**rows[7], "splice_loss_db": np.nan}
    result = budget(rows)
    splice = result.elements[result.elements["element_id"] == "S1"].iloc[0]
    assert (splice["typical_db"], splice["typical_sd_db"]) == (0.15, pytest.approx(0.1))
    assert pd.isna(splice["as_built_db"])
    assert "splice loss not recorded" in only(result)["note"]


def test_unknown_splitter_is_not_assessed() -> None:
    """A splitter without a ratio leaves the expected loss unknown instead of zero."""
    rows = link()
    rows[11] = {**rows[11], "ratio": np.nan}
    row = only(budget(rows))
    assert pd.isna(row["typical_db"])
    assert pd.isna(row["margin_db"])
    assert "splitter ratio not recorded" in row["note"]


def test_order_of_rows_does_not_matter() -> None:
    """Shuffled elements give the same budget."""
    plain, mixed = budget(), budget(link()[::-1])
    pd.testing.assert_frame_equal(plain.circuits, mixed.circuits)


@pytest.mark.parametrize(("cords", "hidden"), [(1, 0.0), (2, 0.25), (3, 0.5), (np.nan, 0.0)])
def test_what_the_reference_hides(cords: float, hidden: float) -> None:
    """Two cords hide one end connection and three hide both: the excess compares like with like."""
    row = only(budget(tests=measured_loss(reference_cords=cords, as_built_cords=cords)), 1310.0)
    assert row["hidden_db"] == pytest.approx(hidden)
    assert row["excess_db"] == pytest.approx(23.0 - (row["typical_db"] - hidden))
    assert row["margin_db"] == pytest.approx(28.0 - 23.0 - hidden)
    assert ("reference" in row["note"]) == (hidden > 0 or np.isnan(cords))
    with pytest.raises(ParameterError, match="must be 1, 2 or 3"):
        hidden_connections(4, standard_limits())


def test_tests_of_different_reference_methods_are_not_compared() -> None:
    """A first test with three cords and a later one with one are said not to compare; each is put right by its own."""
    row = only(budget(tests=measured_loss(reference_cords=1, as_built_cords=3)), 1310.0)
    assert "different reference methods" in row["note"]
    assert row["hidden_db"] == 0.0
    assert "different reference methods" not in only(budget(tests=measured_loss()), 1310.0)["note"]


def test_two_directions_are_more_certain() -> None:
    """A two-way test has the uncertainty of one test over root two."""
    one, two = budget(tests=measured_loss()), budget(tests=measured_loss(directions=2))
    assert only(one, 1310.0)["measured_sd_db"] == pytest.approx(loss_test_sd_db(standard_limits()).value)
    ratio = only(two, 1310.0)["measured_sd_db"] / only(one, 1310.0)["measured_sd_db"]
    assert ratio == pytest.approx(1 / np.sqrt(2))
    assert "one direction only" in only(one, 1310.0)["note"]
    assert "one direction only" not in only(two, 1310.0)["note"]


def test_power_stands_in_for_a_test_at_the_working_wavelength() -> None:
    """Without a test at 1490 nm the loss is the mean of both directions' launched less received power."""
    row = only(budget(tests=measured_loss(), powers=powered()))
    assert row["measured_from"] == "power"
    assert row["measured_db"] == pytest.approx((3.0 + 19.0 + 2.0 + 20.0) / 2)
    assert row["measured_sd_db"] == pytest.approx(3 / np.sqrt(2))
    assert "use its changes" in row["note"]
    assert only(budget(tests=measured_loss(wavelength_nm=1490.0), powers=powered()))["measured_from"] == "loss_test"


def test_what_a_shared_port_receives_is_not_used() -> None:
    """At a head end of two circuits only the far end's received power can be told apart."""
    two = pd.concat([circuits(), circuits(circuit_id="C2", z_port_id="P5")], ignore_index=True)
    rows = link() + link("C2")
    result = budget(rows, two, powers=powered())
    row = result.circuits[result.circuits["circuit_id"] == "C1"].iloc[0]
    assert row["measured_db"] == pytest.approx(3.0 + 19.0)


def test_power_margin_is_the_worse_end() -> None:
    """Received -19 dBm at a G-PON B+ far end that needs -27 dBm leaves 8 dB; the limit is from memory."""
    row = only(budget(powers=powered()))
    assert row["power_margin_db"] == pytest.approx(8.0)
    assert row["power_margin_from"] == "power; receiver limit not confirmed"
    planned = only(budget())
    assert planned["power_margin_db"] == pytest.approx(0.5 - planned["typical_db"] + 28.0)
    assert planned["power_margin_from"] == "application; power limits not confirmed"


def test_circuit_allowance_goes_before_the_application() -> None:
    """max_loss_db of the circuit is what is allowed, whatever the application."""
    row = only(budget(asked=circuits(max_loss_db=20.0)))
    assert (row["allowed_db"], row["allowed_from"]) == (20.0, "circuit")
    assert row["margin_db"] < 0


@pytest.mark.parametrize(
    ("application", "reason"),
    [
        ("GPON", "not assessed: GPON names no class, e.g. G-PON class A"),
        ("MADE-UP", "not assessed: no budget known for MADE-UP; set max_loss_db or give it in --limits"),
        ("10GBASE-SR", "not assessed: 10GBASE-SR has no budget for this fibre type"),
        (None, "not assessed: the circuit names neither application nor max_loss_db"),
    ],
)
def test_no_allowance_is_said(application: str | None, reason: str) -> None:
    """Without a known budget the margin is empty and the reason is given."""
    row = only(budget(asked=circuits(application=application)))
    assert row["allowed_from"] == reason
    assert pd.isna(row["margin_db"])


def test_too_little_loss_is_said() -> None:
    """A G-PON B+ path of 9 dB is below the class's 13 dB: the receiver may be overloaded."""
    row = only(budget(tests=measured_loss(wavelength_nm=1490.0, measured_db=9.0)))
    assert "smallest the application allows" in row["note"]


def test_untraced_circuit_keeps_its_measurement() -> None:
    """A circuit without a path has no expectation, but its test and allowance still stand."""
    result = budget(link("OTHER"), tests=measured_loss(wavelength_nm=1490.0))
    row = only(result)
    assert pd.isna(row["typical_db"])
    assert row["measured_db"] == 23.0
    assert row["margin_db"] == pytest.approx(5.0)
    assert row["note"].startswith("path not traced: expected loss not assessed")
    assert result.elements.empty


def test_no_circuits_give_no_rows() -> None:
    """Without circuits both frames are empty and have their columns."""
    result = budget(asked=circuits().iloc[:0])
    assert result.circuits.empty
    assert tuple(result.elements.columns) == TABLES["budget_elements"].column_names


def test_fleet_offset_is_the_median_of_its_kind() -> None:
    """Ten circuits of one application at one wavelength give the median of as built less expected; nine give none."""
    ids = [f"C{number}" for number in range(10)]
    rows = [row for name in ids for row in link(name)]
    asked = pd.concat([circuits(circuit_id=name, z_port_id=f"Z{name}") for name in ids], ignore_index=True)
    tests = pd.concat([measured_loss(circuit_id=name, as_built_db=20.0 + n) for n, name in enumerate(ids)])
    full = budget(rows, asked, tests).circuits
    at_test = full[full["wavelength_nm"] == 1310.0]
    assert at_test["fleet_offset_db"].tolist() == pytest.approx([24.5 - at_test["typical_db"].iloc[0]] * 10)
    assert full.loc[full["wavelength_nm"] == 1490.0, "fleet_offset_db"].isna().all()
    three = budget(rows, asked, tests.assign(as_built_cords=3)).circuits
    offset = three.loc[three["wavelength_nm"] == 1310.0, "fleet_offset_db"]
    assert offset.tolist() == pytest.approx([25.0 - at_test["typical_db"].iloc[0]] * 10)
    few = budget(rows, asked, tests.iloc[:9]).circuits
    assert few["fleet_offset_db"].isna().all()


def test_confirmed_only_if_every_value_is() -> None:
    """A path of confirmed values alone is confirmed; one value from memory, and it is not."""
    rows = [row for row in link() if row["position"] not in (4, 5, 6)]
    assert only(budget(rows))["confirmed"]
    assert only(budget(rows))["note"].startswith("some end equipment")
    # OS2 at 1490 nm is a remembered limit
    assert not only(budget())["confirmed"]
    assert "a value used is unconfirmed" in only(budget())["note"]


def test_return_loss_is_ruled_by_the_nearest_bad_joint() -> None:
    """Return loss seen from A: a PC pair at the start counts more than one behind the splitter."""
    near, far = link(), link()
    near[4] = near[5] = {**near[4], "polish": "PC"}
    near[5] = {**near[5], "position": 6}
    far[12] = {**far[12], "polish": "PC"}
    plain = only(budget())["return_loss_db"]
    assert only(budget(near))["return_loss_db"] < plain - 0.5
    assert only(budget(far))["return_loss_db"] == pytest.approx(plain, abs=1e-3)


def test_angled_against_straight_is_an_air_gap() -> None:
    """APC against UPC is taken as an air gap's reflection and said."""
    rows = link()
    rows[5] = {**rows[5], "polish": "UPC"}
    row = only(budget(rows))
    assert "APC against PC or UPC" in row["note"]
    assert row["return_loss_db"] < 20.0


@settings(max_examples=8, deadline=None)
@given(st.floats(0.0, 1.0), st.sampled_from([1310.0, 1490.0, 1550.0, 1270.0]))
@example(5e-324, 1490.0)
def test_cutting_a_cable_in_two_changes_no_sum(share: float, wavelength: float) -> None:
    """Two pieces of a cable lose what the whole loses, in limit and in expectation."""
    whole = link()
    pieces = [*whole[:6], {**whole[6], "length_m": 5000.0 * share}, {**whole[6], "length_m": 5000.0 * (1 - share)}]
    pieces = [{**row, "position": number} for number, row in enumerate([*pieces, *whole[7:]], start=1)]
    asked = circuits(wavelength_nm=wavelength)
    before, after = only(budget(whole, asked), wavelength), only(budget(pieces, asked), wavelength)
    assert after["typical_db"] == pytest.approx(before["typical_db"])
    assert after["maximum_db"] == pytest.approx(before["maximum_db"])
    assert after["return_loss_db"] == pytest.approx(before["return_loss_db"], abs=1e-6)


def test_reach_needs_an_attenuation() -> None:
    """A reach over no attenuation is refused."""
    with pytest.raises(ParameterError, match=r"db_per_km: got 0\.0"):
        reach_km(4.0, 0.0)


def test_the_speed_fleet_agrees_with_a_plain_loop() -> None:
    """The budgets of a made-up fleet equal adding up element by element in plain Python."""
    import importlib.util
    from pathlib import Path

    path = Path(__file__).resolve().parents[1] / "speed" / "budget.py"
    spec = importlib.util.spec_from_file_location("speed_budget", path)
    assert spec is not None and spec.loader is not None
    speed = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(speed)
    assert speed.measure(60)["largest difference dB"] < 1e-9


def test_a_budget_holds_at_the_working_wavelength_only() -> None:
    """A test at another wavelength gets no margin, unless the application is a passive optical network's class."""
    tests = measured_loss(wavelength_nm=1550.0)
    point_to_point = circuits(application="10GBASE-LR", wavelength_nm=1310.0)
    other = only(budget(asked=point_to_point, tests=tests), 1550.0)
    assert pd.isna(other["margin_db"])
    assert other["allowed_from"] == "not assessed: not the wavelength the circuit works at"
    assert only(budget(asked=point_to_point, tests=tests), 1310.0)["allowed_db"] == 6.2
    assert only(budget(tests=tests), 1550.0)["allowed_db"] == 28.0


def test_a_test_taken_during_an_outage_does_not_outlive_it() -> None:
    """Power read later that contradicts the last test by far more than its uncertainty takes its place."""
    outage = measured_loss(wavelength_nm=1490.0, measured_db=49.5)
    later = powered(measured_at=AT + pd.Timedelta(days=30))
    row = only(budget(tests=outage, powers=later))
    assert (row["measured_from"], row["measured_db"]) == ("power", pytest.approx(22.0))
    assert "contradict the last loss test" in row["note"]
    assert only(budget(tests=outage, powers=powered(measured_at=AT - pd.Timedelta(days=1))))["measured_db"] == 49.5
    other = only(budget(tests=measured_loss(measured_db=49.5), powers=later), 1310.0)
    assert (other["measured_from"], pd.isna(other["measured_db"])) == ("not assessed", True)
