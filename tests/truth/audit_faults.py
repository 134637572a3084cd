"""Plants whose records are right, and record errors put into them on purpose, each with what must be found.

Run by hand for all kinds and seeds: `python tests/truth/audit_faults.py --seeds 20` prints recall and
precision per kind.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "property"))

from random_plants import PlantMaker

from planner.plant.audit import audit, irregular_events
from planner.plant.graph import assemble, code_records
from planner.plant.trace import trace_all

Tables = dict[str, pd.DataFrame]
START, END = pd.Timestamp("2031-01-01"), pd.Timestamp("2032-01-01")


def regular_fleet(seed: int) -> Tables:
    """A fleet in good order: spliced routes between offices, a splitter tree, array trunks, a year of history."""
    rng = np.random.default_rng(seed)
    maker = PlantMaker(rng)
    sites = [maker.site() for _ in range(4)]
    for _ in range(8):
        a_site, z_site = (str(s) for s in rng.choice(sites, 2, replace=False))
        distance = 120_000.0
        a_port, head = maker.equipment(a_site)
        z_port, tail = maker.equipment(z_site)
        near, far = maker.port(a_site), maker.port(z_site)
        path = head + maker.cord((a_port, "front"), (near, "front")) + [("adapter", near)]
        route = maker.spliced((near, "rear"), (far, "rear"), a_site, 2)
        feeder = next(name for kind, name in route if kind == "cable" and _row(maker, name)["kind"] == "feeder")
        _row(maker, feeder)["length_m"] = distance
        _move_splice(maker, route, z_site)
        path += [*route, ("adapter", far)]
        path += maker.cord((far, "front"), (z_port, "front")) + tail[::-1]
        maker.circuit(a_port, z_port, 1, path)
    for site in sites[:2]:
        _tree(maker, site, 4)
        _trunk(maker, site, 8)
    tables = maker.tables()
    tables["mating_events"] = _history(rng, tables)
    tables["power_readings"] = _readings(tables)
    return tables


def _row(maker: PlantMaker, cable: str) -> dict[str, Any]:
    return next(row for row in maker.rows["cables"] if row["cable_id"] == cable)


def _move_splice(maker: PlantMaker, route: list[tuple[str, str]], site: str) -> None:
    """The last splice of a route lies at its far site."""
    last = [name for kind, name in route if kind == "splice"][-1]
    next(row for row in maker.rows["splices"] if row["splice_id"] == last)["site_id"] = site


def _tree(maker: PlantMaker, site: str, branches: int) -> None:
    """One head-end port, a splitter with built-in end faces, a customer on every leg."""
    head_port, head = maker.equipment(site)
    name, common = maker.new("L"), maker.port(site, "splitter_input")
    maker.add("splitter_legs", splitter_id=name, leg=0, port_id=common, ratio=branches)
    inside = maker.connector(fixed=common)
    path = head + maker.cord((head_port, "front"), (common, "front")) + [("adapter", common), ("connector", inside)]
    for leg in range(1, branches + 1):
        port = maker.port(site, "splitter_output")
        maker.add("splitter_legs", splitter_id=name, leg=leg, port_id=port, ratio=branches)
        out = [("connector", maker.connector(fixed=port)), ("adapter", port)]
        customer, tail = maker.equipment(site)
        drop = maker.cord((port, "front"), (customer, "front"))
        maker.circuit(head_port, customer, 1, [*path, ("splitter", name), *out, *drop, *tail[::-1]])


def _trunk(maker: PlantMaker, site: str, fibres: int) -> None:
    """Two array ports joined by a trunk, fan-outs, circuits on two of the fibres and a spare pair."""
    near, far = maker.port(site, fibres=fibres), maker.port(site, fibres=fibres)
    trunk = maker.cable("trunk", fibres, "A", 40.0)
    maker.connector(trunk, "A", fibres=fibres, at=(near, "rear"))
    maker.connector(trunk, "B", fibres=fibres, at=(far, "rear"))
    outlets = []
    for port in (near, far):
        fan = maker.cable("pigtail", fibres)
        maker.connector(fan, "A", fibres=fibres, at=(port, "front"))
        ports = [maker.port(site) for _ in range(fibres)]
        for i, single in enumerate(ports):
            maker.connector(fan, "B", first=i + 1, at=(single, "rear"))
        outlets.append(ports)
    for i in range(4):
        a_port, _ = maker.equipment(site)
        z_port, _ = maker.equipment(site)
        maker.cord((a_port, "front"), (outlets[0][i], "front"))
        maker.cord((outlets[1][i], "front"), (z_port, "front"))
        maker.circuit(a_port, z_port, 1, [])


def _history(rng: np.random.Generator, tables: Tables) -> pd.DataFrame:
    """Cords taken out and put back where they were, now and then."""
    cords = tables["cables"].loc[tables["cables"]["kind"] == "patch_cord", "cable_id"]
    places = tables["patching"].merge(tables["connectors"][["connector_id", "cable_id"]])
    places = places[places["cable_id"].isin(cords)].sort_values("connector_id", ignore_index=True)
    rows = []
    for place in places.sample(frac=0.5, random_state=int(rng.integers(1 << 30))).itertuples(index=False):
        for _ in range(int(rng.integers(1, 4))):
            at = START + pd.Timedelta(minutes=int(rng.integers(1, 500_000)))
            rows.append((at, place.port_id, place.face, place.connector_id, "demate"))
            rows.append((at + pd.Timedelta(minutes=7), place.port_id, place.face, place.connector_id, "mate"))
    frame = pd.DataFrame(rows, columns=["at", "port_id", "face", "connector_id", "action"]).sort_values("at")
    # two visits to one connector must not overlap
    frame = frame.drop_duplicates(["connector_id", "at"]).reset_index(drop=True)
    inside = frame.groupby("connector_id")["action"].transform(lambda a: (a == a.shift()).cumsum()) > 0
    frame = frame[~frame["connector_id"].isin(frame.loc[inside, "connector_id"])].reset_index(drop=True)
    frame.insert(0, "event_id", [f"E{i}" for i in range(len(frame))])
    return frame


def _readings(tables: Tables) -> pd.DataFrame:
    """Every circuit's ends report light."""
    ports = pd.unique(tables["circuits"][["a_port_id", "z_port_id"]].to_numpy().ravel())
    return pd.DataFrame({"port_id": ports, "rx_dbm": -12.0})


def find(tables: Tables) -> pd.DataFrame:
    """Findings of the audit on these tables."""
    records, history, events = code_records(tables)
    plant = assemble(records)
    numbers = (
        np.array([plant.number_of("connectors", c) for c in events["connector_id"]]),
        np.array([plant.number_of("ports", p) for p in events["port_id"]]),
        (events["face"] == "rear").to_numpy(dtype=int),
    )
    odd = irregular_events(history, *numbers)
    odd = odd.assign(**{name: events[name].to_numpy()[odd["event"]] for name in ("event_id", "at")})
    odd = odd[odd["event_id"].fillna("") != ""]
    return audit(plant, trace_all(plant), events=odd, powered=tables["power_readings"])


@dataclass(frozen=True)
class Fault:
    """One planted error: codes of which one must be found at one of the places; findings it may cause."""

    codes: tuple[str, ...]
    places: tuple[str, ...]
    touched: frozenset[str]
    repair: tuple[str, ...] = ()  # ids that the first repair proposed must name


def _circuits_at(tables: Tables, connector: str) -> set[str]:
    """Circuits whose recorded path uses the connector (by the planner's own tracing of the good records)."""
    from planner.plant.graph import build_plant
    from planner.plant.trace import paths_frame

    plant = build_plant(tables)
    frame = paths_frame(plant, trace_all(plant))
    return set(frame.loc[frame["connector_id"] == connector, "circuit_id"].astype(str))


def _cord_ends(tables: Tables, face: str = "front") -> pd.DataFrame:
    """Patch-cord connectors that are plugged in, with port, housing and whether the history moves them."""
    places = tables["patching"].merge(tables["connectors"]).merge(tables["cables"], on="cable_id")
    places = places[(places["kind"] == "patch_cord") & (places["face"] == face)]
    places = places.merge(tables["ports"][["port_id", "housing_id", "role"]], on="port_id")
    places["moved"] = places["connector_id"].isin(tables["mating_events"]["connector_id"])
    return places.sort_values("connector_id", ignore_index=True)


def _pick(rng: np.random.Generator, frame: pd.DataFrame) -> Any:
    return frame.iloc[int(rng.integers(len(frame)))]


def _forget_history(tables: Tables, *connectors: str) -> None:
    events = tables["mating_events"]
    tables["mating_events"] = events[~events["connector_id"].isin(connectors)].reset_index(drop=True)


def gap(tables: Tables, rng: np.random.Generator) -> Fault:
    """A cord end is not in the patching table."""
    end = _pick(rng, _cord_ends(tables))
    circuits = _circuits_at(tables, end.connector_id)
    _forget_history(tables, end.connector_id)
    tables["patching"] = tables["patching"][tables["patching"]["connector_id"] != end.connector_id]
    return Fault(
        ("circuit-gap",), tuple(circuits), frozenset(circuits | {end.connector_id}), (end.connector_id, end.port_id)
    )


def dangling(tables: Tables, rng: np.random.Generator) -> Fault:
    """One end of a spare cord is plugged in, the other nowhere."""
    maker = _appender(tables, rng)
    port = maker.port("S1")
    cable = maker.cable("patch_cord")
    maker.connector(cable, "A", at=(port, "front"))
    other = maker.connector(cable, "B")
    _append(tables, maker)
    return Fault(("dangling-end",), (other,), frozenset({other, port}))


def wrong_port(tables: Tables, rng: np.random.Generator) -> Fault:
    """A cord is recorded in a free port of the same panel."""
    maker = _appender(tables, rng)
    ends = _cord_ends(tables)
    end = _pick(rng, ends[ends["role"] == "patch"])
    free = maker.port(str(end.housing_id).split("-")[0], housing=end.housing_id)
    _append(tables, maker)
    circuits = _circuits_at(tables, end.connector_id)
    _forget_history(tables, end.connector_id)
    patching = tables["patching"]
    patching.loc[patching["connector_id"] == end.connector_id, "port_id"] = free
    return Fault(
        ("cord-in-wrong-port",),
        (end.connector_id,),
        frozenset(circuits | {end.connector_id, free, end.port_id}),
        (end.connector_id, free, end.port_id),
    )


def swapped(tables: Tables, rng: np.random.Generator) -> Fault:
    """Two cords of one panel or shelf have changed places in the records."""
    ends = _cord_ends(tables)
    by_housing = ends.groupby("housing_id").filter(lambda g: len(g) > 1)
    while True:
        housing = _pick(rng, by_housing).housing_id
        two = by_housing[by_housing["housing_id"] == housing].sample(2, random_state=int(rng.integers(1 << 30)))
        one, other = two.itertuples(index=False)
        first, second = (_circuits_at(tables, c.connector_id) for c in (one, other))
        # cords of one circuit, or of two branches of one splitter, cannot be told apart
        ends = tables["circuits"].set_index("circuit_id").loc[sorted(first | second), ["a_port_id", "z_port_id"]]
        if len(first) == 1 and len(second) == 1 and first != second and len(set(ends.to_numpy().ravel())) == 4:
            break
    _forget_history(tables, one.connector_id, other.connector_id)
    patching = tables["patching"]
    patching.loc[patching["connector_id"] == one.connector_id, "port_id"] = other.port_id
    patching.loc[patching["connector_id"] == other.connector_id, "port_id"] = one.port_id
    names = {one.connector_id, other.connector_id}
    circuits = first | second
    return Fault(("cords-swapped",), tuple(circuits), frozenset(circuits | names), tuple(names))


def two_on_face(tables: Tables, rng: np.random.Generator) -> Fault:
    """A second connector is recorded on an occupied face."""
    maker = _appender(tables, rng)
    ends = _cord_ends(tables)
    end = _pick(rng, ends[(ends["role"] == "patch") & ~ends["moved"]])
    circuits = _circuits_at(tables, end.connector_id)
    cable = maker.cable("pigtail")
    intruder = maker.connector(cable, "A", at=(end.port_id, "front"))
    _append(tables, maker)
    return Fault(("two-on-one-face",), (end.port_id,), frozenset(circuits | {end.port_id, intruder, end.connector_id}))


def _mating(column: str, value: str | int, code: str) -> Callable[[Tables, np.random.Generator], Fault]:
    def plant_fault(tables: Tables, rng: np.random.Generator) -> Fault:
        end = _pick(rng, _cord_ends(tables))
        connectors = tables["connectors"]
        connectors.loc[connectors["connector_id"] == end.connector_id, column] = value
        return Fault((code,), (end.port_id,), frozenset({end.port_id}))

    plant_fault.__doc__ = f"A cord end whose {column} cannot be mated with what is opposite."
    return plant_fault


def wrong_mode(tables: Tables, rng: np.random.Generator) -> Fault:
    """A multimode cord between single-mode ports."""
    end = _pick(rng, _cord_ends(tables))
    cables = tables["cables"]
    cables.loc[cables["cable_id"] == end.cable_id, "fibre_type"] = "OM4"
    ports = tables["patching"].merge(tables["connectors"])
    at = tuple(ports.loc[ports["cable_id"] == end.cable_id, "port_id"])
    return Fault(("mating-mode",), at, frozenset(at))


def wrong_fibre_count(tables: Tables, rng: np.random.Generator) -> Fault:
    """A trunk's array connector recorded with fewer fibres than the adapter and the fan-out opposite."""
    places = tables["patching"].merge(tables["connectors"])
    places = places[(places["fibre_count"] > 1) & (places["face"] == "rear")].sort_values("connector_id")
    end = _pick(rng, places)
    connectors = tables["connectors"]
    connectors.loc[connectors["connector_id"] == end.connector_id, "fibre_count"] = 6
    return Fault(("mating-fibre-count",), (end.port_id,), frozenset({end.port_id}))


def loop(tables: Tables, rng: np.random.Generator) -> Fault:
    """A cord recorded in the front and the rear of one port."""
    maker = _appender(tables, rng)
    site = str(rng.choice(["S1", "S2", "S3", "S4"]))
    ports = [maker.port(site) for _ in range(int(rng.integers(1, 4)))]
    names = []
    for i, port in enumerate(ports):
        cable = maker.cable("patch_cord")
        names.append(maker.connector(cable, "A", at=(port, "rear")))
        names.append(maker.connector(cable, "B", at=(ports[(i + 1) % len(ports)], "front")))
    _append(tables, maker)
    return Fault(("loop",), tuple(names), frozenset(names))


def duplicate_port(tables: Tables, rng: np.random.Generator) -> Fault:
    """A circuit recorded with another circuit's end."""
    circuits = tables["circuits"]
    uses = pd.concat([circuits["a_port_id"], circuits["z_port_id"]]).value_counts()
    alone = (circuits["a_port_id"].map(uses) == 1) & (circuits["z_port_id"].map(uses) == 1)
    plain = circuits[alone].sort_values("circuit_id")
    one, other = plain.sample(2, random_state=int(rng.integers(1 << 30))).itertuples(index=False)
    circuits.loc[circuits["circuit_id"] == one.circuit_id, "z_port_id"] = other.z_port_id
    touched = {one.circuit_id, other.circuit_id, other.z_port_id, one.z_port_id}
    return Fault(("duplicate-circuit-port",), (other.z_port_id,), frozenset(touched))


def over_subscribed(tables: Tables, rng: np.random.Generator) -> Fault:
    """A splitter recorded with a smaller ratio than it has legs."""
    legs = tables["splitter_legs"]
    splitter = str(rng.choice(sorted(legs["splitter_id"].unique())))
    legs.loc[legs["splitter_id"] == splitter, "ratio"] = 2
    return Fault(("splitter-over-subscribed",), (splitter,), frozenset({splitter}))


def lost_event(action: str, code: str) -> Callable[[Tables, np.random.Generator], Fault]:
    """A mating event of that action is missing from the history."""

    def plant_fault(tables: Tables, rng: np.random.Generator) -> Fault:
        events = tables["mating_events"]
        chosen = _pick(rng, events[events["action"] == action])
        later = events[(events["connector_id"] == chosen.connector_id) & (events["at"] > chosen["at"])]
        if action == "mate" and not len(later):
            again = events[(events["action"] == "mate") & events["connector_id"].duplicated(keep="last")]
            chosen = _pick(rng, again)
            later = events[(events["connector_id"] == chosen.connector_id) & (events["at"] > chosen["at"])]
        tables["mating_events"] = events[events["event_id"] != chosen.event_id].reset_index(drop=True)
        place = later.sort_values("at").iloc[0].event_id
        return Fault((code,), (place,), frozenset({place}))

    return plant_fault


def other_in_face(tables: Tables, rng: np.random.Generator) -> Fault:
    """A spare cord was mated into a face that the records still show occupied."""
    ends = _cord_ends(tables)
    end = _pick(rng, ends[~ends["moved"] & (ends["role"] == "patch")])
    maker = _appender(tables, rng)
    spare = maker.connector(maker.cable("launch_cord"), "A")
    _append(tables, maker)
    circuits = _circuits_at(tables, end.connector_id)
    rows = [("F1", START, "mate"), ("F2", START + pd.Timedelta(minutes=9), "demate")]
    new = pd.DataFrame(
        [
            {"event_id": e, "at": at, "port_id": end.port_id, "face": "front", "connector_id": spare, "action": a}
            for e, at, a in rows
        ]
    )
    tables["mating_events"] = pd.concat([tables["mating_events"], new], ignore_index=True)
    return Fault(("mate-without-demate",), ("F1",), frozenset(circuits | {"F1", end.connector_id, end.port_id}))


def unknown_power(tables: Tables, rng: np.random.Generator) -> Fault:
    """A port without a circuit reports light."""
    maker = _appender(tables, rng)
    port = maker.port("S1", "equipment")
    maker.connector(fixed=port)
    _append(tables, maker)
    reading = pd.DataFrame({"port_id": [port], "rx_dbm": [-9.0]})
    tables["power_readings"] = pd.concat([tables["power_readings"], reading], ignore_index=True)
    return Fault(("power-without-circuit",), (port,), frozenset({port}))


def light_without_path(tables: Tables, rng: np.random.Generator) -> Fault:
    """A cord is missing from the records altogether although light arrives."""
    ends = _cord_ends(tables)
    end = _pick(rng, ends[ends["role"] == "equipment"])
    circuits = _circuits_at(tables, end.connector_id)
    both = tables["connectors"].loc[tables["connectors"]["cable_id"] == end.cable_id, "connector_id"]
    _forget_history(tables, *both)
    for table in ("patching", "connectors"):
        tables[table] = tables[table][~tables[table]["connector_id"].isin(both)]
    tables["cables"] = tables["cables"][tables["cables"]["cable_id"] != end.cable_id]
    concerned = tables["circuits"][tables["circuits"]["circuit_id"].isin(circuits)]
    ports = set(concerned["a_port_id"]) | set(concerned["z_port_id"])
    return Fault(("light-without-path",), tuple(ports), frozenset(circuits | ports | set(both)))


def splice_taken(tables: Tables, rng: np.random.Generator) -> Fault:
    """A splice recorded on a fibre end that is already spliced."""
    splices = tables["splices"]
    chosen = _pick(rng, splices.sort_values("splice_id"))
    copy = chosen.to_dict() | {"splice_id": "Zextra"}
    spare = PlantMaker(rng)
    spare._last = {"K": 900_000}
    cable = spare.cable("pigtail")
    copy.update(cable_b_id=cable, end_b="A", fibre_b=1)
    tables["splices"] = pd.concat([splices, pd.DataFrame([copy])], ignore_index=True)
    tables["cables"] = pd.concat([tables["cables"], pd.DataFrame(spare.rows["cables"])], ignore_index=True)
    return Fault(("splice-on-taken-fibre",), ("Zextra",), frozenset({"Zextra"}))


def cord_between_sites(tables: Tables, rng: np.random.Generator) -> Fault:
    """A cord recorded in a free port of another site."""
    maker = _appender(tables, rng)
    ends = _cord_ends(tables)
    end = _pick(rng, ends[ends["role"] == "patch"])
    here = str(end.housing_id).split("-")[0]
    elsewhere = str(rng.choice([s for s in ("S1", "S2", "S3", "S4") if s != here]))
    free = maker.port(elsewhere)
    _append(tables, maker)
    circuits = _circuits_at(tables, end.connector_id)
    _forget_history(tables, end.connector_id)
    patching = tables["patching"]
    patching.loc[patching["connector_id"] == end.connector_id, "port_id"] = free
    return Fault(
        ("cord-between-sites",), (end.cable_id,), frozenset(circuits | {end.cable_id, end.connector_id, end.port_id})
    )


def short_cable(tables: Tables, rng: np.random.Generator) -> Fault:
    """A long cable recorded with a length in kilometres instead of metres."""
    cables = tables["cables"]
    feeder = _pick(rng, cables[cables["length_m"] > 100_000].sort_values("cable_id"))
    cables.loc[cables["cable_id"] == feeder.cable_id, "length_m"] = feeder.length_m / 1000
    return Fault(("cable-shorter-than-distance",), (feeder.cable_id,), frozenset({feeder.cable_id}))


def _appender(tables: Tables, rng: np.random.Generator) -> PlantMaker:
    """A maker whose new ids cannot meet those of the tables."""
    maker = PlantMaker(rng)
    maker._last = dict.fromkeys("PKCXLN", 500000)
    return maker


def _append(tables: Tables, maker: PlantMaker) -> None:
    for name, rows in maker.rows.items():
        tables[name] = pd.DataFrame(tables[name].to_dict("records") + rows)


FAULTS: dict[str, Callable[[Tables, np.random.Generator], Fault]] = {
    "gap in a circuit": gap,
    "dangling end": dangling,
    "cord in the wrong port": wrong_port,
    "two cords swapped": swapped,
    "two connectors on one face": two_on_face,
    "wrong family": _mating("family", "SC", "mating-family"),
    "angled to straight": _mating("polish", "APC", "mating-polish"),
    "multimode cord": wrong_mode,
    "wrong fibre count": wrong_fibre_count,
    "loop": loop,
    "duplicate circuit port": duplicate_port,
    "splitter over-subscribed": over_subscribed,
    "demate missing": lost_event("demate", "mate-repeated"),
    "mate missing": lost_event("mate", "demate-not-there"),
    "mate into an occupied face": other_in_face,
    "power without a circuit": unknown_power,
    "light without a path": light_without_path,
    "fibre spliced twice": splice_taken,
    "cord between sites": cord_between_sites,
    "cable too short": short_cable,
}


def measure(kind: str, seed: int) -> tuple[bool, int, int, bool, pd.DataFrame]:
    """Plant one fault: found at its place or not, findings, those that concern it, repair right, all findings."""
    tables = regular_fleet(seed)
    fault = FAULTS[kind](tables, np.random.default_rng(1000 + seed))
    findings = find(tables)
    hit = findings["code"].isin(fault.codes) & findings["place_id"].isin(fault.places)
    circuits = findings["circuits"].fillna("").str.split(";")
    concerns = findings["place_id"].isin(fault.touched) | circuits.map(lambda c: bool(set(c) & fault.touched))
    if fault.codes[0] == "cords-swapped":
        hit = findings["code"].isin(fault.codes) & circuits.map(lambda c: set(fault.places) <= set(c))
    firsts = findings.loc[hit, "repair"].fillna("").str.split(r" \(or: ").str[0]
    words = [set(text.replace(",", " ").split()) for text in firsts]
    repaired = any(set(fault.repair) <= named for named in words)
    return bool(hit.any()), len(findings), int((concerns | hit).sum()), repaired, findings


def main() -> None:
    """Print recall and precision of every kind over the seeds."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=20)
    arguments = parser.parse_args()
    clean = [len(find(regular_fleet(seed))) for seed in range(arguments.seeds)]
    print(f"fleets in good order: {sum(clean)} findings over {len(clean)} seeds")
    print(f"{'kind':30s} {'recall':>7s} {'precision':>9s} {'findings per fault':>19s} {'first repair right':>19s}")
    found_all = total = right = 0
    for kind in FAULTS:
        results = [measure(kind, seed)[:4] for seed in range(arguments.seeds)]
        hits, findings, concern, repaired = (sum(column) for column in zip(*results, strict=True))
        proposes = kind in ("gap in a circuit", "cord in the wrong port", "two cords swapped")
        share = f"{repaired / len(results):19.3f}" if proposes else ""
        found_all, total, right = found_all + hits, total + findings, right + concern
        print(
            f"{kind:30s} {hits / len(results):7.3f} {concern / max(findings, 1):9.3f} "
            f"{findings / len(results):19.1f} {share}"
        )
    print(f"{'all':30s} {found_all / (len(FAULTS) * arguments.seeds):7.3f} {right / max(total, 1):9.3f}")


if __name__ == "__main__":
    main()
