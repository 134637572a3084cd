"""Coupling and reflection physics against the 168 numbers of tests/data/physics_checks.csv.

Rows say where their number comes from: most are computed from the stated formula with other code (marked
"computed from ..."), some are printed claims of the trade, kept to show what they are worth.
"""

from __future__ import annotations

import re
from decimal import Decimal

import numpy as np
import pytest
from links import printed

from planner.standards import physics

ROWS = {row["id"]: row for row in printed("physics_checks.csv")}


def numbers(text: str) -> list[float]:
    """The numbers in a text, in order."""
    return [float(found) for found in re.findall(r"-?\d+(?:\.\d+)?", text)]


def computed(row: dict[str, str]) -> float | None:
    """The planner's own value for a row; None where the row holds no computable claim."""
    group, quantity, values = row["group"], row["quantity"], numbers(row["inputs"])
    if group == "fresnel" and row["inputs"].startswith("n="):
        n = values[0]
        if quantity == "reflectance":
            return float(physics.fresnel_reflectance_db(n))
        return 100.0 * float(physics.fresnel_reflectance(n))
    if group == "air gap":
        by_quantity = {
            "loss of an air gap, two faces, incoherent": physics.air_gap_loss_db,
            "largest loss, coherent": physics.air_gap_largest_loss_db,
            "largest reflectance, coherent": physics.air_gap_largest_reflectance_db,
            "reflectance, incoherent": physics.air_gap_reflectance_db,
        }
        return float(by_quantity[quantity](values[0]))
    if group == "lateral offset":
        return float(physics.offset_loss_db(values[1], values[0]))
    if group == "tilt":
        mfd, wavelength, index, degrees = values
        return float(physics.tilt_loss_db(degrees, mfd, wavelength, index))
    if group == "longitudinal gap":
        mfd, wavelength, gap = values
        return float(physics.gap_loss_db(gap, mfd, wavelength))
    if group == "MFD mismatch" and quantity == "loss":
        return float(physics.mode_mismatch_loss_db(values[0], values[1]))
    if group == "conversion":
        return conversion(quantity, values)
    if group.startswith("opaque disc"):
        mfd, diameter = values[0], values[1]
        offset = values[2] if len(values) > 2 else 0.0
        if quantity == "power striking the disc":
            return 100.0 * float(physics.power_on_disc(diameter, mfd, offset))
        if quantity == "loss, blocked light only":
            return float(physics.disc_blocked_loss_db(diameter, mfd, offset))
        return float(physics.disc_loss_db(diameter, mfd, offset))
    if group == "mode":
        return 100.0 * float(physics.power_outside_radius(values[1], values[0]))
    return None


def conversion(quantity: str, values: list[float]) -> float:
    """Rows of the group "conversion"."""
    if quantity == "percent to dB":
        return float(physics.loss_db_from_fraction_lost(values[0] / 100.0))
    if quantity == "dB to percent":
        return 100.0 * float(physics.fraction_lost_from_loss_db(values[0]))
    if quantity == "dBm to mW":
        return float(physics.mw_from_dbm(values[0]))
    if quantity == "one diagnostic count":
        return float(physics.dbm_from_mw(values[0] / 1000.0))
    if quantity == "top of range":
        return float(physics.dbm_from_mw(values[0] * 1e-4))
    return float(physics.total_return_loss_db(np.array(values)))


def tolerance(row: dict[str, str]) -> float:
    """The tabled tolerance; for the fractions outside a radius, half the last printed digit."""
    if row["group"] == "mode":
        return 0.5 * 10.0 ** int(Decimal(row["value"]).as_tuple().exponent)
    return float(row["tolerance"])


NOT_COMPUTABLE = {"P001": "range of a glossary", "P044": "says that a paper exists", "P167": "claim", "P168": "claim"}


@pytest.mark.parametrize("number", [number for number in ROWS if number not in NOT_COMPUTABLE])
def test_printed_number(number: str) -> None:
    """The planner's formula gives the tabled number within the tolerance of its digits."""
    row = ROWS[number]
    value = computed(row)
    assert value is not None, row
    assert value == pytest.approx(float(row["value"]), abs=tolerance(row)), row


def test_glass_to_air_is_not_four_percent() -> None:
    """The trade's "-14.7 dB" and "4 %" are two different numbers: 3.4 % at n = 1.45, and 4 % is -13.98 dB."""
    assert float(physics.fresnel_reflectance_db(1.45)) == pytest.approx(-14.7, abs=0.05)
    assert 100.0 * float(physics.fresnel_reflectance(1.45)) == pytest.approx(3.4, abs=0.05)
    assert 10.0 * np.log10(0.04) == pytest.approx(-13.98, abs=0.005)


def test_cleaved_end_reflects_about_four_percent() -> None:
    """A fibre maker's glossary says about 4 % (P001); glass of n = 1.444 to 1.5 gives 3.3 to 4.0 %."""
    about = float(ROWS["P001"]["value"])
    assert abs(100.0 * float(physics.fresnel_reflectance(1.4682)) - about) <= float(ROWS["P001"]["tolerance"])


def test_mark_outside_the_core_zone_costs_almost_no_light() -> None:
    """A 10 um disc at the edge of zone A costs 0.003 dB; the mode holds 4e-7 of its power beyond the zone."""
    assert float(physics.disc_loss_db(10.0, 9.2, 12.5)) < 0.005
    assert float(physics.power_outside_radius(12.5, 9.2)) == pytest.approx(4e-7, abs=1e-7)


def test_trade_claim_of_one_percent_for_a_one_micrometre_speck() -> None:
    """The much-copied "1 um = 1 % = 0.05 dB" (P167) is an area ratio: the mode loses 2.3 %, 0.10 to 0.21 dB."""
    claimed = float(ROWS["P167"]["value"])
    area_percent = 100.0 / 81.0
    assert abs(area_percent - claimed) < 0.25
    assert 100.0 * float(physics.power_on_disc(1.0, 9.2)) == pytest.approx(2.3, abs=0.05)
    assert float(physics.disc_blocked_loss_db(1.0, 9.2)) == pytest.approx(0.10, abs=0.005)
    assert float(physics.disc_loss_db(1.0, 9.2)) == pytest.approx(0.21, abs=0.005)
    assert float(physics.loss_db_from_fraction_lost(claimed / 100.0)) < 0.05


def test_trade_claim_of_a_blocked_core() -> None:
    """A 9 um particle does not "completely block" the core (P168): 85.3 % of the light strikes it."""
    assert float(ROWS["P168"]["value"]) == 100.0
    assert 100.0 * float(physics.power_on_disc(9.0, 9.2)) == pytest.approx(85.3, abs=0.05)


def test_disc_loss_equals_the_loss_of_an_equal_offset() -> None:
    """A centred disc of diameter D costs exactly what a lateral offset of D costs."""
    diameter = np.array([0.5, 1.0, 3.0, 9.0])
    np.testing.assert_allclose(physics.disc_loss_db(diameter, 9.2), physics.offset_loss_db(diameter, 9.2), rtol=1e-9)
