"""Limits and applications: order of preference, in-between values, spellings, an operator's own file."""

from __future__ import annotations

from pathlib import Path

import pytest

from planner.errors import InputError, ParameterError
from planner.standards.lookup import Limit, fibre_mode, limits_with, normalised, standard_limits
from planner.tables.intake_tables import FIBRE_TYPES


@pytest.mark.parametrize("fibre", FIBRE_TYPES)
@pytest.mark.parametrize("wavelength", [850.0, 1270.0, 1310.0, 1490.0, 1550.0, 1577.0, 1625.0])
def test_every_fibre_has_an_attenuation_at_every_wavelength(fibre: str, wavelength: float) -> None:
    """Limit and planning value exist for every fibre type; where nothing is printed they are marked estimates."""
    for statistic in ("max", "typical"):
        limit = standard_limits().cable(fibre, wavelength, statistic)
        assert 0.1 < limit.value < 10.0
        assert limit.confirmed or "not confirmed" in str(limit)


def test_in_between_wavelengths_are_estimates() -> None:
    """A planning value is interpolated, a limit takes the higher neighbour, shorter wavelengths scatter more."""
    limits = standard_limits()
    typical = limits.cable("G.652.D", 1400.0, "typical")
    assert 0.25 < typical.value < 0.35
    assert not typical.confirmed
    assert "interpolated" in typical.source
    assert limits.cable("G.655", 1490.0, "max").value == pytest.approx(0.5)
    short = limits.cable("G.652.D", 1270.0, "typical")
    assert short.value == pytest.approx(0.35 * (1310.0 / 1270.0) ** 4)
    assert limits.cable("OS2", 1625.0, "typical").value == limits.cable("OS2", 1550.0, "typical").value


def test_narrowest_confirmed_row_wins() -> None:
    """At 1550 nm the 1530-1565 nm limit goes before the 1310-1625 nm one."""
    limits = standard_limits()
    assert limits.cable("G.657.A1", 1550.0, "max").value == 0.3
    assert limits.cable("G.657.A1", 1600.0, "max").value == 0.4


def test_unknown_fibre_is_refused() -> None:
    """A fibre type outside the tables is refused with the known ones."""
    with pytest.raises(ParameterError, match=r"got 'OM9', must be one of OS1"):
        fibre_mode("OM9")


def test_missing_limit_is_refused() -> None:
    """A value nobody printed is refused and says where to give one."""
    with pytest.raises(ParameterError, match="give one in the file of --limits"):
        standard_limits().get("connection", "p50", ("any",))


@pytest.mark.parametrize("branches", [3, 12, 24, 256])
def test_unprinted_splitters_lie_above_the_ideal_and_between_neighbours(branches: int) -> None:
    """A split that is not printed costs more than 10 log10 n and is marked an estimate."""
    import math

    low, high = standard_limits().splitter(branches)
    assert 10 * math.log10(branches) < low.value < high.value
    assert not low.confirmed
    with pytest.raises(ParameterError, match="must be 2 or more"):
        standard_limits().splitter(1)


@pytest.mark.parametrize(
    ("spelling", "name"),
    [
        ("GPON-B+", "G-PON class B+"),
        ("gpon b+", "G-PON class B+"),
        ("G-PON class C+", "G-PON class C+"),
        ("10GBase LR", "10GBASE-LR"),
        ("10GBASELR", "10GBASE-LR"),
        ("XG-PON N2", "XGS-PON class N2"),
        ("xgs-pon_e1", "XGS-PON class E1"),
        ("1000BASE-PX20", "EPON PX20"),
        ("400gbase-sr4.2", "400GBASE-SR4.2"),
        ("32gfc", "32GFC"),
    ],
)
def test_spellings_of_applications(spelling: str, name: str) -> None:
    """Case, spaces, hyphens and the word class do not matter."""
    app = standard_limits().application(spelling, "OM4" if "sr" in spelling or "gfc" in spelling else "OS2")
    assert app is not None
    assert app.name == name


def test_spelling_keeps_what_matters() -> None:
    """The plus of a class and the point of a variant are kept."""
    assert normalised("GPON-B") != normalised("GPON-B+")
    assert normalised("400GBASE-SR4.2") != normalised("400GBASE-SR42")


def test_applications_without_a_budget() -> None:
    """An unknown application, a class not named, and a fibre it is not made for have no budget."""
    limits = standard_limits()
    assert limits.application("MADE-UP-1", "OS2") is None
    assert limits.application("GPON", "OS2") is None
    assert limits.application("10GBASE-SR", "OM1") is None
    assert limits.application("10GBASE-SR", "OS2") is None
    assert limits.knows_application("10gbase-sr")


def test_higher_multimode_type_takes_the_next_lower_printed_one() -> None:
    """10GBASE-SR is printed for OM3 and OM4: OM5 takes the value of OM4, and says so."""
    app = standard_limits().application("10GBASE-SR", "OM5")
    assert app is not None and app.max_loss is not None
    assert app.max_loss.value == 2.9
    assert app.note == "printed for OM4, used for OM5"


def test_unknown_fibre_takes_the_smallest_budget() -> None:
    """Without a fibre type the smallest budget of the application counts, with a remark."""
    app = standard_limits().application("10GBASE-SR")
    assert app is not None and app.max_loss is not None
    assert app.max_loss.value == 2.6
    assert "smallest budget" in app.note


def test_limit_prints_its_source() -> None:
    """A limit as text carries value, unit, source, edition, clause and whether it is confirmed."""
    limit = Limit(6.2, "dB", "IEEE 802.3 (from memory)", "802.3ae", "52", confirmed=False)
    assert str(limit) == "6.2 dB (IEEE 802.3 (from memory), 802.3ae, clause 52; not confirmed)"


def test_an_edition_can_be_asked_for() -> None:
    """Editions stand side by side: the grade B mean is 0.125 dB as quoted and 0.12 dB in the 2018 edition."""
    limits = standard_limits()
    quoted, remembered = limits.find("grade", "mean", ("B",)), limits.find("grade", "mean", ("B",), edition="2018")
    assert quoted is not None and remembered is not None
    assert (quoted.value, quoted.confirmed) == (0.125, True)
    assert (remembered.value, remembered.confirmed) == (0.12, False)


def test_own_limits_from_csv(tmp_path: Path) -> None:
    """An operator's CSV goes before the standards, only where it says so, and names the file as its source."""
    own = tmp_path / "policy.csv"
    own.write_text(
        "subject,item,statistic,wavelength_from_nm,wavelength_to_nm,value,source\n"
        "connection,any,max,,,0.5,purchase rules\ncable,OS2,max,1310,1310,0.36,\nsplitter,1:32,max,,,17.0,\n",
        encoding="utf-8",
    )
    limits = limits_with(own)
    assert limits.connection("max", True, "SM").value == 0.5
    assert limits.connection("max", False, "SM").source == "operator's own limits, policy.csv"
    assert limits.connection("max", False, "SM").note == "purchase rules"
    assert limits.cable("OS2", 1310.0, "max").value == 0.36
    assert limits.cable("OS2", 1550.0, "max").value == standard_limits().cable("OS2", 1550.0, "max").value
    assert limits.splitter(32)[1].value == 17.0
    assert standard_limits().connection("max", False, "SM").value == 0.75


def test_own_applications_from_toml(tmp_path: Path) -> None:
    """An operator's TOML adds applications and limits without code."""
    own = tmp_path / "policy.toml"
    own.write_text(
        '[[application]]\nname = "Metro-Ring"\nfibre = "SM"\nmax_loss_db = 9.5\nlaunch_min = -3\nreceive_min = -20\n'
        '[[application]]\napplication = "10GBASE-LR"\nparameter = "max_loss"\nvalue = 5.0\nfibre = "SM"\n'
        '[[limit]]\nsubject = "grade"\nitem = "B"\nstatistic = "mean"\nvalue = 0.1\n',
        encoding="utf-8",
    )
    limits = limits_with(own)
    ring, shorter = limits.application("metro ring", "OS2"), limits.application("10GBASE-LR", "OS2")
    assert ring is not None and ring.max_loss is not None and shorter is not None and shorter.max_loss is not None
    assert ring.max_loss.value == 9.5
    assert ring.values["receive_min"].value == -20
    assert shorter.max_loss.value == 5.0
    assert limits.grade("B")[0].value == 0.1


def test_own_value_of_a_shipped_application_leaves_the_others_alone(tmp_path: Path) -> None:
    """A smaller budget of one's own for a PON class keeps its smallest loss and its powers; so by another name."""
    own = tmp_path / "policy.toml"
    own.write_text(
        '[[application]]\nname = "GPON-B+"\nmax_loss_db = 26\n[[application]]\nname = "XG-PON-N1"\nmax_loss_db = 27\n',
        encoding="utf-8",
    )
    limits, shipped = limits_with(own), standard_limits()
    for name, allowed in (("G-PON class B+", 26.0), ("XGS-PON class N1", 27.0)):
        app, before = limits.application(name, "G.652.D"), shipped.application(name, "G.652.D")
        assert app is not None and app.max_loss is not None and before is not None
        assert app.max_loss.value == allowed
        assert app.max_loss.source == "operator's own limits, policy.toml"
        assert {**app.values, "max_loss": None} == {**before.values, "max_loss": None}
        assert app.reach_m == before.reach_m


@pytest.mark.parametrize(
    ("name", "text", "message"),
    [
        ("a.csv", "subject,item,value\ncable,OS9,0.3\n", r"row 2, item: got 'OS9', must be any, SM, MM, OS1"),
        ("a.csv", "subject,item,value\nsplitter,8,10\n", r"row 2, item: got '8', must be a ratio such as 1:8"),
        ("a.csv", "subject,statistic,value\ngrade,mean,0.2\n", r"row 2, item: got '', must be A, B, C, D for grade"),
        ("a.csv", "subject,value\ncable,-0.3\n", r"row 2, value: got '-0.3', must be a number of 0 or more"),
        ("a.csv", "application,value\nX,-3\n", r"row 2, value: got '-3', must be a number of 0 or more"),
        (
            "a.csv",
            "subject,statistic,value\nconnection,typical,1\n",
            r"must be max for connection .*give subject grade",
        ),
        ("a.csv", "subject,value\nconector,0.5\n", r"row 2, subject: got 'conector', must be one of connection"),
        ("a.csv", "subject,value\nconnection,half\n", r"row 2, value: got 'half', must be a number"),
        ("a.csv", "subject,value\nconnection,nan\n", r"row 2, value: got 'nan', must be a number"),
        ("a.csv", "subject,statistic,value\ncable,p97,1\n", r"row 2, statistic: got 'p97', must be max or typical"),
        ("a.csv", "thing,value\n1,2\n", r"must have a column subject .* or application"),
        ("a.csv", "application,parameter,value\nX,loss,1\n", r"row 2, parameter: got 'loss', must be one of max_loss"),
        ("a.csv", "", r"cannot be read as CSV"),
        ("a.toml", "[[limit]\n", r"cannot be read as TOML"),
        ("a.toml", "[limit]\nsubject='x'\n", r"must be \[\[limit\]\]"),
        ("a.toml", "[[rule]]\nx=1\n", r"got 'rule', must be \[\[limit\]\] or \[\[application\]\]"),
        ("a.toml", "[[application]]\nmax_loss_db=3\n", r"application 1, application: got nothing"),
        ("a.toml", "[[limit]]\nsubject='default grade'\nvalue='E'\n", r"got 'E', must be A, B, C or D"),
    ],
)
def test_a_bad_limits_file_says_where(tmp_path: Path, name: str, text: str, message: str) -> None:
    """A file that cannot be meant is refused with place, value, what it must be."""
    own = tmp_path / name
    own.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=message):
        limits_with(own)


def test_absent_limits_file_is_refused(tmp_path: Path) -> None:
    """A limits file that is not there is refused with its name."""
    with pytest.raises(InputError, match=r"none\.csv: there is no such limits file"):
        limits_with(tmp_path / "none.csv")


def test_own_default_grade(tmp_path: Path) -> None:
    """The grade assumed where none is recorded can be set."""
    own = tmp_path / "a.csv"
    own.write_text("subject,item,value\ndefault grade,single fibre,B\n", encoding="utf-8")
    assert limits_with(own).default_grade(False) == "B"
    assert standard_limits().default_grade(False) == "C"
