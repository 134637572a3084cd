"""The plant drawn by hand: paths, status, reasons, impact, assumed mates, past patching.

shelf EQ at site S1            panel PA at S1     panel PB at S2           shelf at S2
A1 [a1] a-cord [w1 .. w2] > PA1 [p1 =pigtail= X1 =feeder fibre 2= X2 =pigtail= p2] PB1 < [w3 .. w4] Z1 [z1]

head end H1 [h1] < [u1 .. u2] > splitter input I0 [i0] splitter L (1:4) outputs O1..O2 [o1] [o2]
O1 < [d1 .. d2] customer Y1 [y1]        O2 < [e1 .. e2] customer Y2 (no end face recorded)
"""

from __future__ import annotations

from datetime import datetime

import numpy as np
import pandas as pd
import pytest

from planner.errors import InputError, TraceError
from planner.plant import (
    audit,
    build_plant,
    paths_frame,
    shared_elements,
    status_frame,
    trace_all,
    trace_circuit,
    who_goes_dark,
)
from planner.plant.graph import code_records, find_id
from planner.plant.impact import mistake_at
from planner.plant.put_back import presume_put_back, taken_out
from planner.plant.trace import Paths

Tables = dict[str, pd.DataFrame]


def rows(names: str, *values: tuple[object, ...]) -> pd.DataFrame:
    """A small table from its column names and rows."""
    return pd.DataFrame(values, columns=names.split())


def port(name: str, housing: str, role: str = "patch") -> tuple[object, ...]:
    """A row of ports: single LC UPC single-mode."""
    return (name, housing, f"label {name}", "LC", "UPC", "SM", 1, role)


@pytest.fixture
def tables() -> Tables:
    """The plant of the module's drawing."""
    cords = {"a": ("w1", "A1", "w2", "PA1"), "b": ("w3", "PB1", "w4", "Z1"), "c": ("u1", "H1", "u2", "I0")}
    drops = {"d": ("d1", "O1", "d2", "Y1"), "e": ("e1", "O2", "e2", "Y2")}
    plugged = [(x, p) for one, p, other, q in (cords | drops).values() for x, p in ((one, p), (other, q))]
    cable_ends = [
        (end, f"cord-{name}", letter, None)
        for name, (one, _, other, _) in (cords | drops).items()
        for end, letter in ((one, "A"), (other, "B"))
    ]
    face = "connector_id cable_id cable_end fixed_port_id"
    fixed = [("a1", "A1"), ("z1", "Z1"), ("h1", "H1"), ("i0", "I0"), ("o1", "O1"), ("o2", "O2"), ("y1", "Y1")]
    return {
        "sites": rows("site_id kind latitude longitude", ("S1", "hut", 50.0, 8.0), ("S2", "hut", 50.1, 8.0)),
        "housings": rows(
            "housing_id site_id kind",
            ("EQ", "S1", "equipment"),
            ("PA", "S1", "panel"),
            ("PB", "S2", "panel"),
            ("EZ", "S2", "equipment"),
            ("SP", "S1", "splitter"),
        ),
        "ports": rows(
            "port_id housing_id label family polish mode fibre_count role",
            *(port(p, "EQ", "equipment") for p in ("A1", "H1", "Y1", "Y2")),
            port("PA1", "PA"),
            port("PA2", "PA"),
            port("PB1", "PB"),
            port("Z1", "EZ", "equipment"),
            port("I0", "SP", "splitter_input"),
            *(port(p, "SP", "splitter_output") for p in ("O1", "O2")),
        ),
        "cables": rows(
            "cable_id kind fibre_type length_m fibre_count",
            *((f"cord-{name}", "patch_cord", "OS2", 3.0, 1) for name in "abcde"),
            ("pig-a", "pigtail", "OS2", 1.0, 1),
            ("pig-b", "pigtail", "OS2", 1.5, 1),
            ("feeder", "feeder", "G.652.D", 12_000.0, 12),
        ),
        "connectors": pd.concat(
            [
                rows(face, *cable_ends, ("p1", "pig-a", "A", None), ("p2", "pig-b", "A", None)),
                rows(face, *((c, None, None, p) for c, p in fixed)),
            ],
            ignore_index=True,
        ).assign(first_fibre=1, fibre_count=1, family="LC", polish="UPC"),
        "patching": rows(
            "connector_id port_id face",
            *((c, p, "front") for c, p in plugged),
            ("p1", "PA1", "rear"),
            ("p2", "PB1", "rear"),
        ),
        "splices": rows(
            "splice_id site_id cable_a_id end_a fibre_a cable_b_id end_b fibre_b kind",
            ("X1", "S1", "pig-a", "B", 1, "feeder", "A", 2, "fusion"),
            ("X2", "S2", "feeder", "B", 2, "pig-b", "B", 1, "mechanical"),
        ),
        "splitter_legs": rows(
            "splitter_id leg port_id ratio", ("L", 0, "I0", 4), ("L", 1, "O1", 4), ("L", 2, "O2", 4)
        ),
        "circuits": rows(
            "circuit_id a_port_id z_port_id fibre wavelength_nm customers priority protected_by",
            ("LINE", "A1", "Z1", 1, 1310.0, 100, 1, "HOME1"),
            ("HOME1", "H1", "Y1", 1, 1490.0, 1, 3, None),
            ("HOME2", "Y2", "H1", 1, 1490.0, 1, 3, "LINE"),
        ),
    }  # fmt: skip


def traced(tables: Tables) -> tuple[object, Paths]:
    """Plant and paths of the tables."""
    plant = build_plant(tables)
    return plant, trace_all(plant)


def test_a_path_lists_every_element_from_a_to_z(tables: Tables) -> None:
    """End face, adapter, cord, adapter, pigtail, splice, feeder fibre, ... in the order light meets them."""
    path = trace_circuit(build_plant(tables), "LINE")
    assert path["position"].tolist() == list(range(1, 20))
    want = "a1 A1 w1 cord-a w2 PA1 p1 pig-a X1 feeder X2 pig-b p2 PB1 w3 cord-b w4 Z1 z1"
    assert " ".join(path["element_id"]) == want
    feeder = path[path["element_id"] == "feeder"].iloc[0]
    assert (feeder["element_kind"], feeder["fibre"], feeder["length_m"], feeder["detail"]) == (
        "cable", 2, 12_000.0, "G.652.D",
    )  # fmt: skip
    assert feeder["connector_id"] is None and feeder["port_id"] is None and feeder["site_id"] is None
    splice = path[path["element_id"] == "X2"].iloc[0]
    assert (splice["element_kind"], splice["site_id"], splice["detail"]) == ("splice", "S2", "mechanical")
    adapter = path[path["element_id"] == "PA1"].iloc[0]
    assert (adapter["element_kind"], adapter["port_id"], adapter["site_id"], adapter["detail"]) == (
        "adapter", "PA1", "S1", "label PA1",
    )  # fmt: skip
    assert path.loc[path["element_kind"] == "connector", "connector_id"].str.cat(sep=" ") == "a1 w1 w2 p1 p2 w3 w4 z1"


def test_a_splitter_is_passed_from_common_to_branch_and_back(tables: Tables) -> None:
    """Downstream and upstream circuits pass the splitter as one element with its leg; Y2 has no end face."""
    plant = build_plant(tables)
    down = trace_circuit(plant, "HOME1")
    assert " ".join(down["element_id"]) == "h1 H1 u1 cord-c u2 I0 i0 L o1 O1 d1 cord-d d2 Y1 y1"
    splitter = down[down["element_kind"] == "splitter"].iloc[0]
    assert (splitter["fibre"], splitter["detail"], splitter["site_id"]) == (1, "leg 1 of 1:4", "S1")
    up = trace_circuit(plant, "HOME2")
    assert " ".join(up["element_id"]) == "e2 cord-e e1 O2 o2 L i0 I0 u2 cord-c u1 H1 h1"
    assert up.loc[up["element_kind"] == "splitter", "detail"].item() == "leg 2 of 1:4"


def test_status_counts_what_a_path_is_made_of(tables: Tables) -> None:
    """End faces, mated pairs, splices, splitters, sites and metres."""
    plant, paths = traced(tables)
    status = status_frame(plant, paths).set_index("circuit_id")
    line = status.loc["LINE"]
    assert line["traced"] and line["reason"] == ""
    assert line[["connectors", "mated_pairs", "splices", "splitters", "sites"]].tolist() == [8, 4, 2, 0, 2]
    assert line["length_m"] == pytest.approx(3 + 1 + 12_000 + 1.5 + 3)
    assert (line["a_site_id"], line["z_site_id"]) == ("S1", "S2")
    assert status.loc["HOME2", ["connectors", "mated_pairs", "splitters"]].tolist() == [7, 3, 1]


@pytest.mark.parametrize(
    ("table", "drop", "words"),
    [
        ("patching", "w3", "from the A end it stops at connector p2 in port PB1 (nothing is recorded opposite); "
         "from the Z end it stops at connector w3 (plugged in nowhere)"),
        ("splices", "X2", "cable feeder beyond splice X1 (nothing is recorded at its other end)"),
        ("connectors", "w4", "from the A end it stops at cable cord-b beyond connector w3 (nothing is recorded at "
         "its other end); from the Z end it stops at connector z1 in port Z1 (nothing is recorded opposite)"),
    ],
)  # fmt: skip
def test_a_broken_path_says_where_it_stops_from_either_end(tables: Tables, table: str, drop: str, words: str) -> None:
    """The reason names the last element on both sides and what is missing beyond it."""
    frame = tables[table]
    tables[table] = frame[frame.iloc[:, 0] != drop]
    plant, paths = traced(tables)
    status = status_frame(plant, paths).set_index("circuit_id")
    assert not status.loc["LINE", "traced"]
    assert words in status.loc["LINE", "reason"]
    assert np.isnan(status.loc["LINE", "length_m"]) and pd.isna(status.loc["LINE", "connectors"])
    assert "LINE" not in set(paths_frame(plant, paths)["circuit_id"])
    with pytest.raises(TraceError, match="circuit LINE: from the A end it stops"):
        trace_circuit(plant, "LINE")


def test_a_splitter_fed_by_its_own_branch_is_a_loop(tables: Tables) -> None:
    """The feeder recorded in an output of its own splitter: circuits through it end in a loop, which is found."""
    patching = tables["patching"]
    patching = patching[patching["connector_id"] != "d1"]
    tables["patching"] = patching.assign(port_id=patching["port_id"].where(patching["connector_id"] != "u1", "O1"))
    plant, paths = traced(tables)
    reason = status_frame(plant, paths).set_index("circuit_id").loc["HOME2", "reason"]
    assert "from the A end the records run in a loop" in reason
    findings = audit(plant, paths)
    ring = findings[(findings["code"] == "loop") & (findings["place_kind"] == "connector")].iloc[0]
    assert "through connectors i0, o1, u1, u2" in ring["text"]


def test_a_cord_in_both_faces_of_one_port_is_a_ring(tables: Tables) -> None:
    """It is found although no circuit touches it."""
    patching = tables["patching"]
    extra = rows("connector_id port_id face", ("e1", "PA2", "front"), ("e2", "PA2", "rear"))
    tables["patching"] = pd.concat([patching[~patching["connector_id"].isin(["e1", "e2"])], extra])
    plant, paths = traced(tables)
    findings = audit(plant, paths)
    assert "loop" in findings.loc[findings["place_id"] == "e1", "code"].tolist()
    assert paths.traced[find_id(plant.records.circuits.ids, "LINE")]


def test_missing_tables_are_named() -> None:
    """Building a plant without its tables says which are missing."""
    with pytest.raises(InputError, match="got no sites, housings"):
        build_plant({})


def test_opening_a_port_names_who_goes_dark(tables: Tables) -> None:
    """A port on a feeder takes its circuits down; a stand-in helps only if it does not use the port."""
    plant, paths = traced(tables)
    dark = who_goes_dark(plant, paths, "I0").set_index("circuit_id")
    assert sorted(dark.index) == ["HOME1", "HOME2"]
    assert dark.loc["HOME2", ["protected_by", "stays_up"]].tolist() == ["LINE", True]
    assert not dark.loc["HOME1", "stays_up"]
    line = who_goes_dark(plant, paths, "PA1").iloc[0]
    assert (line["circuit_id"], line["customers"], line["stays_up"], line["path_known"]) == ("LINE", 100, True, True)
    assert who_goes_dark(plant, paths, "PA2").empty
    with pytest.raises(TraceError, match="got port 'none'"):
        who_goes_dark(plant, paths, "none")


def test_a_mistake_at_a_port_counts_its_neighbours(tables: Tables) -> None:
    """The port asked for comes first, then the ports beside it in the same housing."""
    plant, paths = traced(tables)
    near = mistake_at(plant, paths, "O1")
    assert near["port_id"].tolist() == ["O1", "I0", "O2"]
    assert near["circuits"].tolist() == [1, 2, 1]
    assert near["customers"].tolist() == [1, 2, 1]


def test_broken_circuits_count_as_far_as_they_reach(tables: Tables) -> None:
    """With a gap at Z, opening the A end still names the circuit, its path marked as not known."""
    tables["patching"] = tables["patching"][tables["patching"]["connector_id"] != "w4"]
    plant, paths = traced(tables)
    dark = who_goes_dark(plant, paths, "PA1").iloc[0]
    assert dark["circuit_id"] == "LINE" and not dark["path_known"]


def test_shared_elements_list_what_several_circuits_use(tables: Tables) -> None:
    """The head end's cord, splitter and site are shared by both homes; the line shares nothing but the site."""
    plant, paths = traced(tables)
    shared = shared_elements(plant, paths).set_index(["element_kind", "element_id"])
    assert shared.loc[("splitter", "L"), "circuits"] == 2
    assert shared.loc[("cable", "cord-c"), "customers"] == 2
    assert shared.loc[("connector", "u1"), "site_id"] == "S1"
    assert shared.loc[("site", "S1"), "circuits"] == 3
    # HOME2 is protected by LINE, which does not use the splitter, but stands in the same site
    assert shared.loc[("splitter", "L"), "unprotected"] == 1
    assert shared.loc[("site", "S1"), "unprotected"] == 3
    assert ("cable", "feeder") not in shared.index
    everything = shared_elements(plant, paths, least=1)
    assert set(everything["element_kind"]) == {"connector", "cable", "splice", "splitter", "panel", "site"}


EVENTS = rows(
    "event_id at port_id face connector_id action",
    ("E1", pd.Timestamp("2031-03-01 10:00"), "PA1", "front", "w2", "demate"),
    ("E2", pd.Timestamp("2031-03-01 10:05"), "PA2", "front", "w2", "mate"),
    ("E3", pd.Timestamp("2031-06-01 10:00"), "PA2", "front", "w2", "demate"),
    ("E4", pd.Timestamp("2031-06-01 10:05"), "PA1", "front", "w2", "mate"),
)


@pytest.mark.parametrize(
    ("at", "whole"),
    [("2031-02-01", True), ("2031-03-01 10:02", False), ("2031-04-01", False), ("2031-06-01 10:05", True)],
)
def test_the_path_of_last_march_is_traced_on_last_marchs_patching(tables: Tables, at: str, whole: bool) -> None:
    """Between the move to another port and the move back the circuit has no path."""
    plant = build_plant(tables | {"mating_events": EVENTS}, pd.Timestamp(at).to_pydatetime())
    paths = trace_all(plant)
    assert paths.traced[find_id(plant.records.circuits.ids, "LINE")] == whole


def test_a_patching_row_younger_than_the_history_counts_from_its_time(tables: Tables) -> None:
    """A cord recorded as plugged in since May is not there in March, and is there in June."""
    tables["patching"] = tables["patching"].assign(since_at=pd.NaT)
    tables["patching"].loc[tables["patching"]["connector_id"] == "w4", "since_at"] = pd.Timestamp("2031-05-01")
    with_events = tables | {"mating_events": EVENTS[EVENTS["connector_id"] == "nobody"]}
    events = EVENTS.assign(connector_id="d2", port_id="Y1").iloc[[0]]
    for at, whole in ((datetime(2031, 4, 1), False), (datetime(2031, 6, 1), True)):
        plant = build_plant(with_events | {"mating_events": events}, at)
        assert trace_all(plant).traced[find_id(plant.records.circuits.ids, "LINE")] == whole


def put_back(tables: Tables, powered: pd.DataFrame | None, now: str) -> tuple[bool, list[str]]:
    """Whether LINE is traced with assumed mates, and which connectors were put back."""
    records, history, events = code_records(tables)
    plant = build_plant(tables)
    left = taken_out(
        len(records.connectors.port),
        np.array([plant.number_of("connectors", c) for c in events["connector_id"]]),
        np.array([plant.number_of("ports", p) for p in events["port_id"]]),
        (events["face"] == "rear").to_numpy(np.int8),
        events["at"].to_numpy("datetime64[us]").astype(np.int64),
        (events["action"] == "demate").to_numpy(np.int8),
        history.displaced,
    )
    now_us = int(np.datetime64(now, "us").astype(np.int64))
    changed, paths, back = presume_put_back(plant, trace_all(plant), left, powered, now_us)
    line = bool(paths.traced[find_id(plant.records.circuits.ids, "LINE")])
    return line, [changed.id_of("connectors", int(c)) for c in back["connector"]]


def test_a_lost_mate_is_assumed_when_light_arrives(tables: Tables) -> None:
    """After a demate without a mate: back if light came since, or nothing reports and it is old; else not."""
    tables["mating_events"] = EVENTS.iloc[[0]]

    def reading(rx_dbm: float, at: str) -> pd.DataFrame:
        return pd.DataFrame({"port_id": ["Z1"], "rx_dbm": [rx_dbm], "at": [pd.Timestamp(at)]})

    assert put_back(tables, reading(-9.0, "2031-03-02"), "2031-03-03") == (True, ["w2"])
    assert put_back(tables, reading(-40.0, "2031-03-02"), "2031-03-03") == (False, [])
    assert put_back(tables, reading(-9.0, "2031-02-28"), "2031-03-01T12:00") == (False, [])
    assert put_back(tables, None, "2031-03-01T12:00") == (False, [])
    assert put_back(tables, None, "2031-03-09") == (True, ["w2"])


def test_a_launch_cord_that_was_left_in_makes_room(tables: Tables) -> None:
    """A cord that a launch cord pushed out is back and the launch cord gone; a patch cord is not pushed out again."""
    tables["cables"] = pd.concat(
        [tables["cables"], tables["cables"].iloc[[0]].assign(cable_id="lead", kind="launch_cord")], ignore_index=True
    )
    test_cord = tables["connectors"][tables["connectors"]["connector_id"] == "w2"].assign(
        connector_id="t1", cable_id="lead", cable_end="A"
    )
    tables["connectors"] = pd.concat([tables["connectors"], test_cord], ignore_index=True)
    tables["mating_events"] = EVENTS.iloc[[0]].assign(connector_id="t1", action="mate")
    assert put_back(tables, None, "2031-03-09") == (True, ["w2"])
    tables["cables"].loc[tables["cables"]["cable_id"] == "lead", "kind"] = "patch_cord"
    assert put_back(tables, None, "2031-03-09") == (False, [])


def test_a_cord_that_went_elsewhere_is_not_put_back(tables: Tables) -> None:
    """A connector whose last event is a mate, or whose face is taken, stays where the records have it."""
    tables["mating_events"] = EVENTS.iloc[[0, 1]]
    assert put_back(tables, None, "2031-09-01") == (False, [])
