"""The traced plant -> who shares what: circuits on each element, and who goes dark when a port is opened."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.errors import TraceError
from planner.plant.audit import circuits_of_connectors
from planner.plant.graph import NONE, Plant, distinct, taken
from planner.plant.trace import ADAPTER, CABLE, CONNECTOR, SPLICE, SPLITTER, Paths, element_rows

Array = npt.NDArray[Any]


def shared_elements(plant: Plant, paths: Paths, least: int = 2) -> pd.DataFrame:
    """Elements that several circuits share.

    Parameters
    ----------
    least
        Smallest number of circuits an element must carry to be listed.

    Returns
    -------
    One row per element, most circuits first: `element_kind` (connector, cable, splice, splitter, panel,
    site), `element_id`, `site_id` (empty for cables), `circuits` (number), `customers` (served by them),
    `unprotected` (circuits that no other takes over from, or whose stand-in uses the same element).
    A panel is any housing; splices at one site lie in its trays and count for the site.
    """
    rows = element_rows(plant, paths)
    records = plant.records
    housing = taken(records.ports.housing, rows["port"])
    tables: list[tuple[str, Array, Array, Any]] = [
        ("connector", rows["kind"] == CONNECTOR, rows["element"], records.connectors.ids),
        ("cable", rows["kind"] == CABLE, rows["element"], records.cables.ids),
        ("splice", rows["kind"] == SPLICE, rows["element"], records.splices.ids),
        ("splitter", rows["kind"] == SPLITTER, rows["element"], records.legs.ids),
        ("panel", (rows["kind"] == ADAPTER) & (housing >= 0), housing, records.housings.ids),
        ("site", rows["site"] >= 0, rows["site"], records.sites.ids),
    ]
    parts = []
    for kind, chosen, element, ids in tables:
        keys = distinct(element[chosen] * max(len(paths.circuits), 1) + rows["row"][chosen])
        pairs = np.stack(np.divmod(keys, max(len(paths.circuits), 1)), axis=1)
        part = _shared(plant, paths, pairs, least)
        part.insert(0, "element_kind", kind)
        part.insert(1, "element_id", ids.take(part["element"].to_numpy()).to_pylist())
        site = _site_of(plant, kind, part["element"].to_numpy())
        part.insert(2, "site_id", [plant.id_of("sites", int(s)) or None for s in site])
        parts.append(part.drop(columns="element"))
    frame = pd.concat([part for part in parts if len(part)], ignore_index=True) if any(map(len, parts)) else parts[0]
    return frame.sort_values(
        ["circuits", "element_kind", "element_id"], ascending=[False, True, True], ignore_index=True
    )


def _shared(plant: Plant, paths: Paths, pairs: Array, least: int) -> pd.DataFrame:
    """Elements with at least `least` circuits, from distinct (element, row of `paths`) pairs."""
    circuits = plant.records.circuits
    number = paths.circuits[pairs[:, 1]] if len(pairs) else np.zeros(0, np.int32)
    stand_in = circuits.protected_by[number]
    # the stand-in helps only where it does not use the same element
    here = pd.MultiIndex.from_arrays([pairs[:, 0], number]) if len(pairs) else pd.MultiIndex.from_arrays([[], []])
    wanted = pd.MultiIndex.from_arrays([pairs[:, 0], stand_in]) if len(pairs) else here
    helped = (stand_in >= 0) & ~wanted.isin(here)
    frame = pd.DataFrame(
        {"element": pairs[:, 0], "circuits": 1, "customers": circuits.customers[number], "unprotected": ~helped}
    )
    summed = frame.groupby("element", as_index=False).sum()
    return summed[summed["circuits"] >= least].reset_index(drop=True)


def _site_of(plant: Plant, kind: str, element: Array) -> Array:
    records = plant.records
    if kind == "connector":
        return taken(plant.site_of_port, records.connectors.port[element])
    if kind == "splice":
        return records.splices.site[element]
    if kind == "splitter":
        return taken(plant.site_of_port, taken(records.legs.port, plant.common_leg[element]))
    if kind == "panel":
        return records.housings.site[element]
    return element if kind == "site" else np.full(len(element), NONE)


def _port_number(plant: Plant, port_id: str) -> int:
    port = plant.number_of("ports", port_id)
    if port < 0:
        raise TraceError(f"impact: got port {port_id!r}, must be a port_id of the ports table; check the spelling")
    return port


def who_goes_dark(plant: Plant, paths: Paths, port_id: str) -> pd.DataFrame:
    """Circuits that go dark when the connectors of a port are unplugged.

    Parameters
    ----------
    port_id
        The port to be opened.

    Returns
    -------
    One row per circuit on any fibre of the port's connectors, most important first: `circuit_id`,
    `customers`, `priority` (1 highest, 0 unknown), `protected_by`, `stays_up` (its stand-in has a complete
    path that does not use this port), `path_known` (False where the circuit's records have a gap and it was
    only found from one end).

    Raises
    ------
    TraceError
        There is no such port.
    """
    port = _port_number(plant, port_id)
    start, numbers = circuits_of_connectors(plant, paths)
    here = [int(c) for c in plant.holder[port] if c >= 0]
    found = [numbers[start[c] : start[c + 1]] for c in here]
    dark = np.unique(np.concatenate(found)) if found else np.zeros(0, np.int32)
    circuits = plant.records.circuits
    row_of = np.full(len(circuits.a_port), NONE, np.int64)
    row_of[paths.circuits] = np.arange(len(paths.circuits))
    stand_in = circuits.protected_by[dark]
    complete = taken(paths.traced.astype(np.int8), taken(row_of, stand_in), 0) == 1
    frame = pd.DataFrame(
        {
            "circuit_id": [plant.id_of("circuits", int(n)) for n in dark],
            "customers": circuits.customers[dark],
            "priority": circuits.priority[dark],
            "protected_by": [plant.id_of("circuits", int(n)) or None for n in stand_in],
            "stays_up": (stand_in >= 0) & complete & ~np.isin(stand_in, dark),
            "path_known": paths.traced[row_of[dark]],
        }
    )
    urgency = frame["priority"].where(frame["priority"] > 0, 9)
    order = np.lexsort((frame["circuit_id"], -frame["customers"], urgency, frame["stays_up"]))
    return frame.iloc[order].reset_index(drop=True)


def mistake_at(plant: Plant, paths: Paths, port_id: str, neighbours: int = 1) -> pd.DataFrame:
    """What opening a port, or by mistake one of its neighbours, would take down.

    Neighbours are the ports next to it in the same housing in the order of their ids. Returns one row per
    port: `port_id`, `circuits`, `customers`, `stay_up` (circuits whose stand-in takes over), the port asked
    for first.

    Raises
    ------
    TraceError
        There is no such port.
    """
    port = _port_number(plant, port_id)
    housing = plant.records.ports.housing
    shelf = np.flatnonzero(housing == housing[port])
    place = int(np.searchsorted(shelf, port))
    near = [port, *(int(p) for p in shelf[max(place - neighbours, 0) : place + neighbours + 1] if p != port)]
    rows = []
    for number in near:
        name = plant.id_of("ports", number)
        dark = who_goes_dark(plant, paths, name)
        rows.append((name, len(dark), int(dark["customers"].sum()), int(dark["stays_up"].sum())))
    return pd.DataFrame(rows, columns=["port_id", "circuits", "customers", "stay_up"])
