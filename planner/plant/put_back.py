"""Connectors that were taken out by the records, but which must be back: the missing mate is assumed.

Histories lose events. Where a cord was taken out, or pushed out by another that was plugged in, its face has
been empty since (or holds a launch cord, which never stays), its other end is still plugged in, and a circuit
is complete only with it, the likeliest story is that putting it back was not recorded. It is assumed when the
circuit's ports receive light since, or when they report nothing at all and that was long ago; never when they
are dark.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.plant.graph import NONE, Plant, assemble, taken
from planner.plant.patching import DEMATE, FIXED, FRONT
from planner.plant.trace import Paths, trace_all
from planner.tables.intake_tables import CABLE_KINDS

Array = npt.NDArray[Any]

# A receiver that reports more than this sees light; most report a floor near -40 dBm when dark (our estimate).
LIGHT_DBM = -35.0
# Work in hand: a demate younger than this may still be open (our estimate).
WORK_IN_HAND_US = 24 * 3600 * 1_000_000


LAUNCH_CORD = CABLE_KINDS.index("launch_cord")


def taken_out(
    connectors: int,
    event_connector: Array,
    event_port: Array,
    event_face: Array,
    event_at: Array,
    event_action: Array,
    displaced: Array,
) -> pd.DataFrame:
    """Connectors that were last taken out or pushed out: connector, port, face, at [us]; events in order of play.

    `displaced` is the connector that an event's mate pushed out, -1 none.
    """
    last, pushed = np.full(connectors, NONE, np.int64), np.full(connectors, NONE, np.int64)
    for newest, who in ((last, event_connector), (pushed, displaced)):
        known = np.flatnonzero(who >= 0)
        newest[who[known]] = known
    out = np.flatnonzero((taken(event_action, last) == DEMATE) | (pushed > last))
    event = np.maximum(last, pushed)[out]
    return pd.DataFrame({"connector": out, "port": event_port[event], "face": event_face[event], "at": event_at[event]})


def presume_put_back(
    plant: Plant, paths: Paths, left: pd.DataFrame, powered: pd.DataFrame | None, now_us: int
) -> tuple[Plant, Paths, pd.DataFrame]:
    """The plant with connectors put back where the records lost the mate, and the circuits that completes.

    Parameters
    ----------
    plant, paths
        As recorded, from `trace_all` over all circuits.
    left
        From `taken_out`.
    powered
        Latest received power per port: port_id, rx_dbm [dBm], at (UTC); None if there are no readings.
    now_us
        The moment of the patching. [us since 1970, UTC]

    Returns
    -------
    Plant and paths (the given ones if nothing is assumed), and the rows of `left` that were put back.
    """
    connectors = plant.records.connectors
    face, port = left["face"].to_numpy(), left["port"].to_numpy()
    free = (port >= 0) & (connectors.port[left["connector"]] == NONE)
    holder = plant.holder[np.maximum(port, 0), face]
    free &= (holder == NONE) | _is_launch(plant, holder)
    free &= ~_is_launch(plant, left["connector"].to_numpy())
    free &= (face == FRONT) | (plant.holder[np.maximum(port, 0), FIXED] == NONE)
    asked = left[free].sort_values("at", kind="stable").drop_duplicates(["port", "face"], keep="last")
    broken = ~paths.traced
    if not len(asked) or not broken.any():
        return plant, paths, left.iloc[:0]
    trial = trace_all(_with(plant, asked))
    gained = np.flatnonzero(broken & trial.traced)
    proof = _proof(plant, paths, powered)
    used: dict[int, bool] = {}
    at = dict(zip(asked["connector"].tolist(), asked["at"].tolist(), strict=True))
    for row in gained.tolist():
        points = trial.points_of(row)
        owners = plant.connector_of[points[points < plant.n_connector_points]].tolist()
        back = [c for c in owners if c in at]
        newest = max(at[c] for c in back)
        lit_at, dark_at = proof[row]
        believed = lit_at > newest if max(lit_at, dark_at) > newest else newest < now_us - WORK_IN_HAND_US
        for connector in back:
            used[connector] = used.get(connector, False) or believed
    kept = asked[asked["connector"].map(lambda c: used.get(c, False))].sort_values("connector", ignore_index=True)
    if not len(kept):
        return plant, paths, kept
    changed = _with(plant, kept)
    return changed, trace_all(changed), kept


def _with(plant: Plant, back: pd.DataFrame) -> Plant:
    """The plant with those connectors plugged in again, and the launch cords taken out that stood there."""
    connectors = plant.records.connectors
    port, face = connectors.port.copy(), connectors.face.copy()
    stood = plant.holder[back["port"], back["face"]]
    port[stood[stood >= 0]] = NONE
    face[stood[stood >= 0]] = NONE
    port[back["connector"]] = back["port"]
    face[back["connector"]] = back["face"]
    return assemble(replace(plant.records, connectors=replace(connectors, port=port, face=face)))


def _is_launch(plant: Plant, connector: Array) -> npt.NDArray[np.bool_]:
    """Whether connectors (-1 none) end launch cords."""
    cable = taken(plant.records.connectors.cable, connector)
    return np.asarray(taken(plant.records.cables.kind, cable) == LAUNCH_CORD)


def _proof(plant: Plant, paths: Paths, powered: pd.DataFrame | None) -> Array:
    """When each circuit's ports last received light, and last were dark. Shape (c, 2). [us]"""
    never = np.iinfo(np.int64).min
    seen = np.full((len(plant.holder), 2), never, np.int64)
    if powered is not None and len(powered):
        ports = pd.Index(plant.records.ports.ids.to_numpy(zero_copy_only=False)).get_indexer(
            pd.Index(powered["port_id"])
        )
        moments = powered["at"].to_numpy("datetime64[us]").astype(np.int64)
        dark = (powered["rx_dbm"].to_numpy() <= LIGHT_DBM).astype(np.int64)
        known = ports >= 0
        seen[ports[known], dark[known]] = moments[known]
    circuits = plant.records.circuits
    ends = [seen[np.maximum(port[paths.circuits], 0)] for port in (circuits.a_port, circuits.z_port)]
    proof: Array = np.maximum(ends[0], ends[1])
    return proof
