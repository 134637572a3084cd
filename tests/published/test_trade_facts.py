"""Trade facts the light part rests on: common practice without a source, or memory, marked as such."""

from __future__ import annotations

import numpy as np
import pytest

from planner.health.loss_budget import hidden_connections, loss_test_sd_db
from planner.health.otdr_placement import dead_zone_m
from planner.standards.lookup import APPLICATION_FILES, LIMIT_FILES, data_file, standard_limits
from planner.standards.physics import (
    backscatter_fraction,
    bend_loss_db,
    diagnostic_count_db,
    mode_width_factor,
    total_return_loss_db,
)

OTHER_FILES = (
    "end_face_criteria.csv",
    "end_face_zones.csv",
    "end_face_scope.csv",
    "transceiver_diagnostics.csv",
    "cleaning_and_safety.csv",
    "connector_facts.csv",
)


@pytest.mark.parametrize("cords", [1, 2, 3])
def test_each_further_reference_cord_hides_one_connection(cords: int) -> None:
    """From memory (IEC 61280-4-1, -4-2): one cord hides no end connection, two hide one, three hide both."""
    assert hidden_connections(cords, standard_limits()) == cords - 1


def test_loss_tests_are_good_to_a_few_tenths() -> None:
    """From memory: 0.3 to 0.5 dB expanded uncertainty with ordinary cords, 0.1 to 0.2 dB with reference cords."""
    limits = standard_limits()
    ordinary, reference = loss_test_sd_db(limits), loss_test_sd_db(limits, "reference cords")
    assert 0.15 <= ordinary.value <= 0.25
    assert 0.05 <= reference.value <= 0.10
    assert not ordinary.confirmed


def test_dead_zone_is_a_metre_per_ten_nanoseconds() -> None:
    """Common practice: about 1 m per 10 ns of pulse; n = 1.468 gives 1.02 m."""
    assert dead_zone_m(10.0) == pytest.approx(1.02, abs=0.005)
    assert dead_zone_m(1000.0) == pytest.approx(102.1, abs=0.1)


@pytest.mark.parametrize(("dbm", "db"), [(-20, 0.043), (-25, 0.135), (-30, 0.414), (-35, 1.193)])
def test_one_diagnostic_count_grows_as_light_fades(dbm: float, db: float) -> None:
    """Computed from SFF-8472's 0.1 uW per count: one count is 0.41 dB at -30 dBm and 1.19 dB at -35 dBm."""
    assert float(diagnostic_count_db(dbm)) == pytest.approx(db, abs=0.0005)


def test_bend_grows_with_wavelength_where_dirt_shrinks() -> None:
    """ITU-T G.657 limits (as reproduced) double to quadruple over 75 nm; an offset or particle falls to 0.78."""
    growth = standard_limits().bend_growth("G.657.A1")
    assert growth.confirmed
    assert 2.0 <= growth.value <= 4.0
    assert float(bend_loss_db(0.1, 1310.0, 1550.0, growth.value)) > 0.2
    assert float(mode_width_factor(9.2, 10.4)) == pytest.approx(0.78, abs=0.005)


def test_long_fibre_returns_about_32_decibel() -> None:
    """Common practice, from memory: the backscatter of a long single-mode fibre limits return loss to 31-33 dB."""
    fraction = backscatter_fraction(80.0, 0.35, -80.0, 1.466)
    assert 31.0 <= -10.0 * np.log10(float(fraction)) <= 33.0


def test_one_bad_reflection_dominates_the_return_loss() -> None:
    """Computed: an open glass end (14.7 dB) beside a 45 dB joint leaves 14.7 dB."""
    assert float(total_return_loss_db(np.array([45.0, 14.7]))) == pytest.approx(14.7, abs=0.01)


@pytest.mark.parametrize("file_name", [*LIMIT_FILES, *APPLICATION_FILES, *OTHER_FILES])
def test_every_value_names_its_source_and_whether_it_is_confirmed(file_name: str) -> None:
    """Each row of each data file has a value, a unit, a source and yes or no for confirmed."""
    table = data_file(file_name)
    for column in ("value", "unit", "source", "edition", "clause", "confirmed", "note"):
        assert column in table.columns
    assert (table["value"] != "").all()
    assert (table["source"] != "").all()
    assert table["confirmed"].isin(["yes", "no"]).all()
    assert not table[table["confirmed"] == "yes"]["source"].str.contains("memory").any()
    assert "seen_in" not in table.columns
