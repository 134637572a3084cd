"""What could be wrong with each circuit: one hypothesis per cause and element of its path.

In: the elements of every path, the circuits' end ports, what is believed of each end face. Out: flat
arrays of hypotheses with their probability before any reading of the circuit is looked at.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from planner.health.fault_laws import (
    BEND_BY_CABLE,
    BREAK_BY_CABLE,
    CODE,
    COSTS_LIGHT,
    DEFAULT_P_CONTAMINATED,
    DEFAULT_P_DAMAGED,
    OFFSET_RATE,
    RECORD_RATE,
    SPLICE_RATE,
    TRANSCEIVER_RATE,
    UNKNOWN_PATH_RATE,
    UNTRACED_RECORD_RATE,
)

# Which readings a hypothesis moves.
PATH, RECEIVER_Z, RECEIVER_A, LAUNCH_A, LAUNCH_Z, RECORD, NOTHING = range(7)

LOWEST_BELIEF = 1e-4
DAMAGE_SHARE_OF_LAUNCH_MISREPORTED = 0.3


@dataclass
class Hypotheses:
    """Hypotheses of all circuits, ordered by circuit. Arrays of equal length.

    `element` indexes `names`; `joint` indexes `ports` (-1: not at a joint); `rate` is the log of how common
    the cause is at such an element before the end-face belief, `belief` the log of what that belief adds.
    """

    circuit: NDArray[np.int64]
    cause: NDArray[np.int8]
    family: NDArray[np.int8]
    element: NDArray[np.int64]
    element_kind: NDArray[np.int8]
    joint: NDArray[np.int64]
    fibres: NDArray[np.int64]
    position: NDArray[np.int64]
    rate: NDArray[np.float64]
    belief: NDArray[np.float64]
    names: pd.Index
    ports: pd.Index

    def __len__(self) -> int:
        return len(self.circuit)

    def faces(self) -> pd.DataFrame:
        """The end faces of each circuit whose place is known, once each: circuit, element, joint (numbers)."""
        own = (self.cause == CODE["contamination"]) & (self.joint >= 0)
        found = {"circuit": self.circuit[own], "element": self.element[own], "joint": self.joint[own]}
        return pd.DataFrame(found).drop_duplicates(["circuit", "element"])


ELEMENT_KINDS = ("", "connector", "cable", "splice", "port")


def list_hypotheses(
    circuits: pd.DataFrame,
    elements: pd.DataFrame,
    beliefs: pd.DataFrame,
    untraced: pd.Index,
    touches: pd.Series,
) -> Hypotheses:
    """Every hypothesis of every circuit, with its probability to begin with.

    Parameters
    ----------
    circuits
        circuit_id, a_port_id, z_port_id; row order numbers the circuits.
    elements
        circuit_id, position, element_kind, element_id, port_id, cable_kind, fibre_count, by circuit and
        position.
    beliefs
        connector_id, p_contaminated, p_damaged; may be empty, then a fleet-wide default stands.
    untraced
        Circuits without a complete path.
    touches
        Matings per port (index port_id); may be empty.
    """
    circuit_index = pd.Index(circuits["circuit_id"])
    elements = elements[elements["circuit_id"].isin(circuit_index)]
    parts = [
        _face_hypotheses(elements[elements["element_kind"] == "connector"], beliefs),
        _offset_hypotheses(elements[elements["element_kind"] == "connector"], touches),
        _cable_hypotheses(elements[elements["element_kind"] == "cable"].drop_duplicates(["circuit_id", "element_id"])),
        _splice_hypotheses(elements[elements["element_kind"] == "splice"]),
        _transceiver_hypotheses(circuits),
        _record_hypotheses(circuits, untraced),
        _nothing(circuits),
    ]
    frame = _stacked(parts)
    frame = _stacked([frame, _unknown_path(circuits, untraced, frame)])
    frame["circuit"] = circuit_index.get_indexer(pd.Index(frame["circuit_id"]))
    order = np.argsort(frame["circuit"].to_numpy(), kind="stable")
    frame = frame.iloc[order]
    element, names = pd.factorize(frame["element"], use_na_sentinel=False)
    joint, ports = pd.factorize(frame["joint"])
    return Hypotheses(
        circuit=frame["circuit"].to_numpy(np.int64),
        cause=frame["cause"].to_numpy(np.int8),
        family=frame["family"].to_numpy(np.int8),
        element=element.astype(np.int64),
        element_kind=frame["element_kind"].to_numpy(np.int8),
        joint=joint.astype(np.int64),
        fibres=frame["fibres"].to_numpy(np.int64),
        position=frame["position"].to_numpy(np.int64),
        rate=frame["rate"].to_numpy(np.float64),
        belief=frame["belief"].to_numpy(np.float64),
        names=pd.Index(names),
        ports=pd.Index(ports),
    )


def _stacked(parts: list[pd.DataFrame]) -> pd.DataFrame:
    """Rows of hypotheses one part after the other."""
    return pd.DataFrame({name: np.concatenate([part[name].to_numpy() for part in parts]) for name in parts[0]})


def _rows(
    source: pd.DataFrame,
    cause: str,
    family: int,
    kind: str,
    element: pd.Series,
    rate: NDArray[np.float64] | float,
    belief: NDArray[np.float64] | float = 0.0,
    joint: pd.Series | None = None,
) -> pd.DataFrame:
    count = len(source)
    return pd.DataFrame(
        {
            "circuit_id": source["circuit_id"].to_numpy(object),
            "cause": np.full(count, CODE[cause], np.int8),
            "family": np.full(count, family, np.int8),
            "element_kind": np.full(count, ELEMENT_KINDS.index(kind), np.int8),
            "element": element.to_numpy(object) if len(element) else np.full(count, "", object),
            "joint": joint.to_numpy(object) if joint is not None else np.full(count, None, object),
            "fibres": source["fibre_count"].to_numpy(np.int64) if "fibre_count" in source else np.ones(count, np.int64),
            "position": source["position"].to_numpy(np.int64) if "position" in source else np.zeros(count, np.int64),
            "rate": np.log(np.broadcast_to(np.asarray(rate, np.float64), (count,))),
            "belief": np.broadcast_to(np.asarray(belief, np.float64), (count,)),
        }
    )


def _face_hypotheses(faces: pd.DataFrame, beliefs: pd.DataFrame) -> pd.DataFrame:
    known = beliefs.set_index("connector_id")
    parts = []
    for cause, column, usual in (
        ("contamination", "p_contaminated", DEFAULT_P_CONTAMINATED),
        ("damaged_end_face", "p_damaged", DEFAULT_P_DAMAGED),
    ):
        p = known[column].reindex(faces["element_id"]).to_numpy(np.float64)
        mean = float(np.nanmean(known[column])) if len(known) else usual
        mean = max(mean, LOWEST_BELIEF)
        p = np.clip(np.where(np.isnan(p), mean, p), LOWEST_BELIEF, 0.99)
        rate = COSTS_LIGHT[cause] * mean
        parts.append(
            _rows(faces, cause, PATH, "connector", faces["element_id"], rate, np.log(p / mean), faces["port_id"])
        )
    return _stacked(parts)


def _offset_hypotheses(faces: pd.DataFrame, touches: pd.Series) -> pd.DataFrame:
    """Two per joint that was mated within the history: an offset worth naming, and a smaller one.

    Named by the first of the two end faces; the smaller one counts as nothing wrong.
    """
    joints = faces.drop_duplicates(["circuit_id", "port_id"])
    matings = touches.reindex(joints["port_id"]).fillna(0).to_numpy(np.float64)
    joints = joints[matings > 0]
    rate = OFFSET_RATE * np.ones(len(joints))
    parts = [
        _rows(joints, cause, PATH, "connector", joints["element_id"], rate, 0.0, joints["port_id"])
        for cause in ("remating_offset", "nothing")
    ]
    return _stacked(parts)


def _cable_hypotheses(cables: pd.DataFrame) -> pd.DataFrame:
    kind = cables["cable_kind"].fillna("trunk")
    parts = []
    for cause, rates in (("bend", BEND_BY_CABLE), ("fibre_break", BREAK_BY_CABLE)):
        rate = np.asarray(kind.map(rates).fillna(0.0), np.float64)
        usable = rate > 0
        parts.append(_rows(cables[usable], cause, PATH, "cable", cables["element_id"][usable], rate[usable]))
    return _stacked(parts)


def _splice_hypotheses(splices: pd.DataFrame) -> pd.DataFrame:
    return _rows(splices, "splice", PATH, "splice", splices["element_id"], SPLICE_RATE)


def _transceiver_hypotheses(circuits: pd.DataFrame) -> pd.DataFrame:
    """Launch and receiver of either end; a launch that its own monitor does not show dims like a receiver."""
    misreported = TRANSCEIVER_RATE * DAMAGE_SHARE_OF_LAUNCH_MISREPORTED
    a, z = circuits["a_port_id"], circuits["z_port_id"]
    parts = [
        _rows(circuits, "transceiver", family, "port", port, rate)
        for family, port, rate in (
            (LAUNCH_A, a, TRANSCEIVER_RATE),
            (RECEIVER_Z, z, TRANSCEIVER_RATE),
            (LAUNCH_Z, z, TRANSCEIVER_RATE),
            (RECEIVER_A, a, TRANSCEIVER_RATE),
            (RECEIVER_Z, a, misreported),
            (RECEIVER_A, z, misreported),
        )
    ]
    return _stacked(parts)


def _record_hypotheses(circuits: pd.DataFrame, untraced: pd.Index) -> pd.DataFrame:
    broken = circuits["circuit_id"].isin(untraced).to_numpy()
    rate = np.where(broken, UNTRACED_RECORD_RATE, RECORD_RATE)
    return _rows(circuits, "record_error", RECORD, "", circuits["circuit_id"].iloc[:0], rate)


def _unknown_path(circuits: pd.DataFrame, untraced: pd.Index, known: pd.DataFrame) -> pd.DataFrame:
    """Faults somewhere on the path of a circuit whose path is not known: as common as on the others' paths."""
    blind = circuits["circuit_id"].isin(untraced).to_numpy()
    traced = int((~blind).sum())
    on_path = known["family"].to_numpy() == PATH
    on_path &= ~known["circuit_id"].isin(circuits["circuit_id"][blind]).to_numpy()
    weight = np.exp(known["rate"].to_numpy(np.float64) + known["belief"].to_numpy(np.float64)) * on_path
    mean = np.bincount(known["cause"].to_numpy(np.int64), weights=weight, minlength=len(CODE)) / max(traced, 1)
    rows = circuits[blind]
    nowhere = pd.Series(np.full(len(rows), "", object))
    return _stacked(
        [
            _rows(rows, cause, PATH, "", nowhere, mean[CODE[cause]] if mean[CODE[cause]] > 0 else usual)
            for cause, usual in UNKNOWN_PATH_RATE.items()
        ]
    )


def _nothing(circuits: pd.DataFrame) -> pd.DataFrame:
    return _rows(circuits, "nothing", NOTHING, "", circuits["circuit_id"].iloc[:0], 1.0)
