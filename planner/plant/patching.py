"""What was mated with what: replay of the mating events over the patching that the history starts from.

In come integer codes (connectors, ports), out come the partner of every event and the patching afterwards.
Histories are incomplete: an event that contradicts the record is marked and the likeliest state is assumed;
nothing here refuses a history.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from planner.errors import ParameterError

Int8 = npt.NDArray[np.int8]
Int32 = npt.NDArray[np.int32]
Int64 = npt.NDArray[np.int64]

FRONT, REAR, FIXED = 0, 1, 2
MATE, DEMATE = 0, 1
NONE = -1

# How far ahead a mate looks for the demate of the same moment that makes room for it. [events]
LOOK_AHEAD = 2048

# What may be wrong with an event; one event may show several (the codes add up).
FACE_OCCUPIED = 1  # mate onto a face that still holds another connector: that one is taken as removed
RECORDED_ELSEWHERE = 2  # the connector was recorded in another place: it is taken as removed there
ALREADY_THERE = 4  # mate of a connector that was already in that face: nothing changes
NOT_THERE = 8  # demate of a connector that was not recorded in that face
BUILT_IN = 16  # a built-in end face cannot be moved: the event is passed over
NO_SUCH_FACE = 32  # the rear of a port with a built-in end face takes no plug; kept as recorded


@dataclass(frozen=True)
class Replay:
    """Result of a replay; event arrays are in the order of the events as given.

    Attributes
    ----------
    partner
        Connector that the event's connector was mated with (mate) or separated from (demate); -1 none.
        Shape (m,).
    irregular
        Sum of the codes above; 0 for an event that fits the record. Shape (m,).
    port_now, face_now
        Where each connector is after the last event: port (-1 none) and 0 front, 1 rear, 2 built in
        (-1 none). Shape (n,).
    partner_now
        Connector that each is mated with after the last event; -1 none. Shape (n,).
    displaced
        Connector that a mate pushed out of an occupied face; -1 none. Shape (m,).
    """

    partner: Int32
    irregular: Int8
    port_now: Int32
    face_now: Int8
    partner_now: Int32
    displaced: Int32


@njit(cache=True)
def _opposite(port: int, face: int, occupant: Int32, built_in: Int32) -> int:  # pragma: no cover - compiled
    """Connector on the other side of the adapter; a built-in end face stands behind the front."""
    if face == FRONT:
        if built_in[port] >= 0:
            return built_in[port]  # type: ignore[no-any-return]
        return occupant[2 * port + REAR]  # type: ignore[no-any-return]
    if face == REAR and built_in[port] >= 0:
        return -1
    return occupant[2 * port + FRONT]  # type: ignore[no-any-return]


@njit(cache=True)
def _play(  # pragma: no cover - compiled
    event: int,
    place: Int64,
    occupant: Int32,
    built_in: Int32,
    fixed_port: Int32,
    event_port: Int32,
    event_face: Int8,
    event_connector: Int32,
    event_action: Int8,
    partner: Int32,
    irregular: Int8,
    displaced: Int32,
) -> None:
    """Play one event: `place` (2*port+face per connector, -1 none) and `occupant` are changed."""
    connector = event_connector[event]
    port = event_port[event]
    face = event_face[event]
    here = 2 * port + face
    if fixed_port[connector] >= 0:
        irregular[event] |= BUILT_IN
        return
    if face == REAR and built_in[port] >= 0:
        irregular[event] |= NO_SUCH_FACE
    was = place[connector]
    if event_action[event] == MATE:
        if was == here:
            irregular[event] |= ALREADY_THERE
        elif was >= 0:
            irregular[event] |= RECORDED_ELSEWHERE
            if occupant[was] == connector:
                occupant[was] = -1
        old = occupant[here]
        if old >= 0 and old != connector:
            irregular[event] |= FACE_OCCUPIED
            displaced[event] = old
            place[old] = -1
        occupant[here] = connector
        place[connector] = here
        partner[event] = _opposite(port, face, occupant, built_in)
        return
    if was != here:
        irregular[event] |= NOT_THERE
        if was >= 0:
            irregular[event] |= RECORDED_ELSEWHERE
            if occupant[was] == connector:
                occupant[was] = -1
    if occupant[here] == connector or occupant[here] < 0:
        partner[event] = _opposite(port, face, occupant, built_in)
    if occupant[here] == connector:
        occupant[here] = -1
    place[connector] = -1


@njit(cache=True)
def _replay(  # pragma: no cover - compiled
    place: Int64,
    occupant: Int32,
    built_in: Int32,
    fixed_port: Int32,
    order: Int64,
    event_at: Int64,
    event_port: Int32,
    event_face: Int8,
    event_connector: Int32,
    event_action: Int8,
    partner: Int32,
    irregular: Int8,
    displaced: Int32,
) -> None:
    """Play the events in order of time, those of one moment in the order given.

    A mate that cannot be yet pulls forward the demate of the same moment that makes room for it.
    """
    n = len(order)
    played = np.zeros(len(event_at), np.bool_)
    for at in range(n):
        event = order[at]
        connector = event_connector[event]
        port = event_port[event]
        if played[event] or connector < 0 or port < 0:
            continue
        here = 2 * port + event_face[event]
        if event_action[event] == MATE and (place[connector] >= 0 or occupant[here] >= 0):
            was = place[connector]
            other = occupant[here]
            for later in range(at + 1, min(n, at + LOOK_AHEAD)):
                ahead = order[later]
                if event_at[ahead] != event_at[event]:
                    break
                if played[ahead] or event_action[ahead] != DEMATE or event_port[ahead] < 0:
                    continue
                leaver = event_connector[ahead]
                left = 2 * event_port[ahead] + event_face[ahead]
                makes_room = (leaver == connector and left == was) or (leaver == other and left == here)
                if makes_room and leaver >= 0 and place[leaver] == left:
                    played[ahead] = True
                    _play(
                        ahead,
                        place,
                        occupant,
                        built_in,
                        fixed_port,
                        event_port,
                        event_face,
                        event_connector,
                        event_action,
                        partner,
                        irregular,
                        displaced,
                    )
        _play(
            event,
            place,
            occupant,
            built_in,
            fixed_port,
            event_port,
            event_face,
            event_connector,
            event_action,
            partner,
            irregular,
            displaced,
        )


def _time_order(event_at: Int64) -> Int64:
    """Order of the events by time, at one time as given."""
    if len(event_at) < 2 or bool((np.diff(event_at) >= 0).all()):
        return np.arange(len(event_at), dtype=np.int64)
    return np.argsort(event_at, kind="stable").astype(np.int64)


def _checked(name: str, values: Any, dtype: Any, length: int) -> Any:
    array = np.ascontiguousarray(values, dtype=dtype)
    if array.shape != (length,):
        raise ParameterError(
            f"replay of mating events, {name}: got shape {array.shape}, must be ({length},); "
            "give one value per connector or per event"
        )
    return array


def replay(
    start_port: npt.ArrayLike,
    start_face: npt.ArrayLike,
    fixed_port: npt.ArrayLike,
    event_at: npt.ArrayLike,
    event_port: npt.ArrayLike,
    event_face: npt.ArrayLike,
    event_connector: npt.ArrayLike,
    event_action: npt.ArrayLike,
) -> Replay:
    """Play mating events over the patching they start from, and say who met whom.

    The partner of a connector in a port's front is the end face built into the port, else the connector in
    its rear; the partner of a connector in the rear is the one in the front. Events need not be sorted:
    they are played by time, those of one moment in the order given, except that a mate into a face that is
    still occupied (or of a connector that is still elsewhere) first plays the demate of the same moment that
    makes room for it.

    What a contradicting event is taken to mean: a mate onto an occupied face removed the old connector
    first; a mate or demate of a connector recorded elsewhere removed it there first; a demate from a face
    that holds another connector leaves that one in place and has no partner; a demate from an empty face
    was there unrecorded, and is separated from what is opposite.

    Parameters
    ----------
    start_port, start_face
        Port (-1 none) and face (0 front, 1 rear) of each connector before the first event. Shape (n,).
        Where two claim one face, the first keeps it.
    fixed_port
        Port that each connector is built into; -1 for a connector on a cable. Shape (n,).
    event_at
        Time in any integer unit. Shape (m,).
    event_port, event_face, event_connector, event_action
        Port, face, connector and 0 mate or 1 demate of each event; an event with a port or connector of -1
        is passed over. Shape (m,).

    Raises
    ------
    ParameterError
        Arrays of different lengths.
    """
    port = np.ascontiguousarray(start_port, dtype=np.int32)
    n, m = len(port), len(np.asarray(event_at))
    face = _checked("start_face", start_face, np.int8, n)
    fixed = _checked("fixed_port", fixed_port, np.int32, n)
    at = _checked("event_at", event_at, np.int64, m)
    ports = _checked("event_port", event_port, np.int32, m)
    faces = _checked("event_face", event_face, np.int8, m)
    connectors = _checked("event_connector", event_connector, np.int32, m)
    actions = _checked("event_action", event_action, np.int8, m)

    n_ports = 1 + max((int(a.max()) for a in (port, fixed, ports) if len(a)), default=-1)
    built_in = np.full(max(n_ports, 1), NONE, np.int32)
    holders = np.flatnonzero(fixed >= 0)[::-1]  # written backwards: the first of two keeps the port
    built_in[fixed[holders]] = holders
    plugged = (port >= 0) & (fixed < 0)
    place = np.where(plugged, 2 * port.astype(np.int64) + (face == REAR), NONE)
    occupant = np.full(2 * max(n_ports, 1), NONE, np.int32)
    holders = np.flatnonzero(plugged)[::-1]
    occupant[place[holders]] = holders

    partner = np.full(m, NONE, np.int32)
    displaced = np.full(m, NONE, np.int32)
    irregular = np.zeros(m, np.int8)
    if m:
        _replay(
            place,
            occupant,
            built_in,
            fixed,
            _time_order(at),
            at,
            ports,
            faces,
            connectors,
            actions,
            partner,
            irregular,
            displaced,
        )
    port_now = np.where(fixed >= 0, fixed, np.where(place >= 0, place >> 1, NONE)).astype(np.int32)
    face_now = np.where(fixed >= 0, FIXED, np.where(place >= 0, place & 1, NONE)).astype(np.int8)
    partner_now = mated_with(port_now, face_now)
    return Replay(partner, irregular, port_now, face_now, partner_now, displaced)


def mated_with(port_now: npt.ArrayLike, face_now: npt.ArrayLike) -> Int32:
    """The connector that each connector is mated with, for a given patching.

    Parameters
    ----------
    port_now, face_now
        Port (-1 none) and face (0 front, 1 rear, 2 built in) of each connector. Shape (n,). Where two claim
        one face, the first keeps it and the others have no partner.

    Returns
    -------
    Connector on the other side of the adapter; -1 none. Shape (n,).
    """
    port = np.asarray(port_now, dtype=np.int64)
    face = np.asarray(face_now, dtype=np.int64)
    n_ports = int(port.max()) + 1 if len(port) else 0
    holder = np.full((max(n_ports, 1), 3), NONE, np.int32)
    placed = np.flatnonzero((port >= 0) & (face >= 0))[::-1]
    holder[port[placed], face[placed]] = placed
    behind = np.where(holder[:, FIXED] >= 0, holder[:, FIXED], holder[:, REAR])
    partner = np.full(len(port), NONE, np.int32)
    both = np.flatnonzero((holder[:, FRONT] >= 0) & (behind >= 0))
    partner[holder[both, FRONT]] = behind[both]
    partner[behind[both]] = holder[both, FRONT]
    return partner


def patching_as_of(
    start_port: npt.ArrayLike,
    start_face: npt.ArrayLike,
    fixed_port: npt.ArrayLike,
    event_at: npt.ArrayLike,
    event_port: npt.ArrayLike,
    event_face: npt.ArrayLike,
    event_connector: npt.ArrayLike,
    event_action: npt.ArrayLike,
    until: int,
) -> tuple[Int32, Int8]:
    """Port and face of every connector at a past time: the events up to and including `until` are played.

    Parameters are those of `replay`; `until` is in the unit of `event_at`. Returns port (-1 none) and face
    (0 front, 1 rear, 2 built in, -1 none), shape (n,) each. Before the first event it is the start.
    """
    at = np.asarray(event_at, dtype=np.int64)
    past = np.flatnonzero(at <= until)
    state = replay(
        start_port,
        start_face,
        fixed_port,
        at[past],
        np.asarray(event_port)[past],
        np.asarray(event_face)[past],
        np.asarray(event_connector)[past],
        np.asarray(event_action)[past],
    )
    return state.port_now, state.face_now
