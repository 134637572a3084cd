"""Printed limits, planning values and application budgets against what the lookup gives.

tests/data/printed_limits.csv and printed_applications.csv were written from the sources on their own, not
from the planner's data files. Rows with confirmed = no are from memory or computed: they check that the value
is used as remembered and that it is marked unconfirmed, not that the standard says so.
"""

from __future__ import annotations

import pytest
from links import printed

from planner.standards.lookup import Application, Limit, data_file, standard_limits

LIMITS = printed("printed_limits.csv")
APPLICATIONS = printed("printed_applications.csv")

# Fibre columns as printed -> a fibre type of the tables; the last two are rows no fibre type picks.
FIBRES = {"SM": "G.652.D", "50 um MM": "OM2", "OM1/OM2/OM3": "OM1", "MM": "", "50 um 400/400": ""}


def named(row: dict[str, str]) -> str:
    """Short name of a row for the test report."""
    return "-".join(row[name] for name in ("subject", "statistic", "items", "wavelength_nm", "condition")).strip("-")


@pytest.mark.parametrize("row", LIMITS, ids=named)
def test_printed_limit(row: dict[str, str]) -> None:
    """The lookup returns the printed value in the printed unit, and never marks a remembered one confirmed."""
    limits = standard_limits()
    wavelength = float(row["wavelength_nm"]) if row["wavelength_nm"] else None
    if row["condition"]:
        limit = bend_limit(row)
    else:
        limit = limits.get(row["subject"], row["statistic"], (row["items"],), wavelength)
    assert limit.value == pytest.approx(float(row["value"]), abs=1e-9)
    assert limit.unit == row["unit"]
    assert limit.source
    same = [
        other["confirmed"]
        for other in LIMITS
        if (other["subject"], other["statistic"], other["value"]) == (row["subject"], row["statistic"], row["value"])
    ]
    if row["confirmed"] == "yes":
        assert limit.confirmed
    elif "yes" not in same:
        assert not limit.confirmed
        assert "not confirmed" in limit.reference


def bend_limit(row: dict[str, str]) -> Limit:
    """A macrobend row by its radius and turns, which the lookup does not search by."""
    table = data_file("itu_t_fibre.csv")
    found = table[
        (table["subject"] == "macrobend")
        & (table["item"] == row["items"])
        & (table["condition"] == row["condition"])
        & (table["wavelength_from_nm"] == row["wavelength_nm"])
    ]
    assert len(found) == 1
    only = found.iloc[0]
    return Limit(float(only["value"]), only["unit"], only["source"], confirmed=only["confirmed"] == "yes")


def spelled(name: str) -> str:
    """The application as an inventory might spell it."""
    return name.replace("class ", "").replace("G-PON", "GPON").replace("BASE-", "base ").replace(" ", "_")


@pytest.mark.parametrize(
    "row", APPLICATIONS, ids=lambda row: f"{row['application']}-{row['parameter']}-{row['fibre']}-{row['value']}"
)
def test_printed_application(row: dict[str, str]) -> None:
    """Every printed value of an application is found under a free spelling, with its confirmation mark."""
    limits = standard_limits()
    fibre = FIBRES.get(row["fibre"], row["fibre"])
    if not fibre:
        table = limits.applications
        rows = table[(table["application"] == row["application"]) & (table["fibre"] == row["fibre"])]
        assert [float(value) for value in rows["value"]] == [float(row["value"])]
        return
    app = limits.application(spelled(row["application"]), fibre)
    assert isinstance(app, Application), row
    limit = app.values[row["parameter"]]
    assert limit.value == pytest.approx(float(row["value"]))
    assert limit.unit == row["unit"]
    assert limit.confirmed == (row["confirmed"] == "yes")


def test_enough_rows_are_compared() -> None:
    """At least sixty printed rows of limits and of applications each are compared."""
    assert len(LIMITS) >= 60
    assert len(APPLICATIONS) >= 60


@pytest.mark.parametrize(
    ("application", "reach_m"),
    [("10GBASE-SR", 400), ("40GBASE-SR4", 150), ("400GBASE-SR4.2", 100)],
)
def test_reach_goes_with_the_fibre(application: str, reach_m: float) -> None:
    """On OM4 the reach is the one printed for OM4."""
    app = standard_limits().application(application, "OM4")
    assert app is not None
    assert app.reach_m == reach_m


def test_forty_gigabit_short_reach_has_one_decibel_for_all_its_connections() -> None:
    """40GBASE-SR4 on OM4 leaves 1.0 dB for connections: one dirty array connector can spend it."""
    app = standard_limits().application("40GBASE-SR4", "OM4")
    assert app is not None and app.connection_loss is not None
    assert app.connection_loss.value == 1.0


def test_long_reach_budget_from_memory_agrees_with_its_confirmed_powers() -> None:
    """10GBASE-LR: 6.2 dB is from memory; least launch -8.2 less least receive -14.4 dBm (confirmed) gives it."""
    app = standard_limits().application("10GBASE-LR", "OS2")
    assert app is not None and app.max_loss is not None
    assert not app.max_loss.confirmed
    launch, receive = app.values["launch_min"], app.values["receive_min"]
    assert launch.confirmed and receive.confirmed
    assert launch.value - receive.value == pytest.approx(app.max_loss.value)


def test_published_disagreements_are_kept() -> None:
    """400GBASE on OM4 is 1.8 dB (SR4.2) in one table and 1.9 dB in one that names no variant; both stay."""
    limits = standard_limits()
    values = {}
    for name in ("400GBASE-SR4.2", "400GBASE-SR8"):
        app = limits.application(name, "OM4")
        assert app is not None and app.max_loss is not None
        values[name] = app.max_loss.value
    assert values == {"400GBASE-SR4.2": 1.8, "400GBASE-SR8": 1.9}
