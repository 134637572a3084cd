"""Replay of mating events: who met whom, and what a contradicting event is taken to mean."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.errors import ParameterError
from planner.plant.patching import (
    ALREADY_THERE,
    BUILT_IN,
    FACE_OCCUPIED,
    FIXED,
    FRONT,
    NO_SUCH_FACE,
    NOT_THERE,
    REAR,
    RECORDED_ELSEWHERE,
    Replay,
    mated_with,
    patching_as_of,
    replay,
)

MATE, DEMATE = 0, 1

# Connectors 0 and 1 in the front and rear of port 0; 2 in the front of port 1, behind which 3 is built in;
# 4 and 5 are loose. Port 2 is empty.
START_PORT = [0, 0, 1, -1, -1, -1]
START_FACE = [FRONT, REAR, FRONT, 0, 0, 0]
FIXED_PORT = [-1, -1, -1, 1, -1, -1]


def play(*events: tuple[int, int, int, int, int]) -> Replay:
    """Replay events (at, port, face, connector, action) over the small plant above."""
    columns = list(zip(*events, strict=True)) if events else [[], [], [], [], []]
    at, port, face, connector, action = columns
    return replay(START_PORT, START_FACE, FIXED_PORT, at, port, face, connector, action)


def test_without_events_it_is_the_start() -> None:
    """No event: ports, faces and partners are those of the start; a built-in end face is in its port."""
    state = play()
    assert state.port_now.tolist() == [0, 0, 1, 1, -1, -1]
    assert state.face_now.tolist() == [FRONT, REAR, FRONT, FIXED, -1, -1]
    assert state.partner_now.tolist() == [1, 0, 3, 2, -1, -1]


def test_a_demate_separates_and_a_mate_joins() -> None:
    """The partner of a demate is who it was mated with; of a mate, whom it meets; a test plug meets the built-in."""
    state = play(
        (1, 1, FRONT, 2, DEMATE),
        (2, 1, FRONT, 4, MATE),
        (3, 1, FRONT, 4, DEMATE),
        (4, 1, FRONT, 2, MATE),
        (5, 0, REAR, 1, DEMATE),
        (6, 2, REAR, 1, MATE),
    )
    assert state.partner.tolist() == [3, 3, 3, 3, 0, -1]
    assert not state.irregular.any()
    assert state.partner_now.tolist() == [-1, -1, 3, 2, -1, -1]
    assert state.port_now[1] == 2 and state.face_now[1] == REAR


def test_events_of_one_moment_are_played_in_an_order_that_fits() -> None:
    """A test plug in and out of a face in one recorded second; a cord that the records lost, out and in again."""
    lost = play((4, 1, FRONT, 2, DEMATE), (5, 1, FRONT, 2, DEMATE), (5, 1, FRONT, 2, MATE))
    assert lost.irregular.tolist() == [0, NOT_THERE, 0] and lost.port_now[2] == 1
    state = play((5, 1, FRONT, 2, DEMATE), (5, 1, FRONT, 4, MATE), (5, 1, FRONT, 4, DEMATE), (5, 1, FRONT, 2, MATE))
    assert not state.irregular.any()
    assert state.partner.tolist() == [3, 3, 3, 3]
    assert state.port_now[2] == 1 and state.port_now[4] == -1


def test_events_are_played_by_time_and_demates_before_mates() -> None:
    """Given in any order; a mate that does not fit yet waits for the demate of the same moment."""
    state = play((5, 0, FRONT, 4, MATE), (5, 0, FRONT, 0, DEMATE), (1, 2, FRONT, 5, MATE))
    assert not state.irregular.any()
    assert state.partner.tolist() == [1, 1, -1]


@pytest.mark.parametrize(
    ("event", "code", "partner"),
    [
        ((1, 0, FRONT, 4, MATE), FACE_OCCUPIED, 1),
        ((1, 2, FRONT, 0, MATE), RECORDED_ELSEWHERE, -1),
        ((1, 0, FRONT, 0, MATE), ALREADY_THERE, 1),
        ((1, 0, FRONT, 4, DEMATE), NOT_THERE, -1),
        ((1, 2, FRONT, 4, DEMATE), NOT_THERE, -1),
        ((1, 2, FRONT, 0, DEMATE), NOT_THERE | RECORDED_ELSEWHERE, -1),
        ((1, 2, FRONT, 3, MATE), BUILT_IN, -1),
        ((1, 1, REAR, 4, MATE), NO_SUCH_FACE, -1),
        ((1, 0, FRONT, 2, MATE), FACE_OCCUPIED | RECORDED_ELSEWHERE, 1),
    ],
)
def test_a_contradicting_event_is_marked(event: tuple[int, int, int, int, int], code: int, partner: int) -> None:
    """Each contradiction has its code, and the likeliest partner is assumed."""
    state = play(event)
    assert state.irregular.tolist() == [code]
    assert state.partner.tolist() == [partner]


def test_a_mate_onto_an_occupied_face_removes_the_old_connector() -> None:
    """The displaced connector is named and is in no port afterwards."""
    state = play((1, 0, FRONT, 4, MATE))
    assert state.displaced.tolist() == [0]
    assert state.port_now[0] == -1 and state.port_now[4] == 0
    assert state.partner_now[4] == 1


def test_a_demate_from_an_empty_face_was_there_unrecorded() -> None:
    """Taken out of a face that the records show empty, it is separated from what is opposite."""
    state = play((1, 0, FRONT, 0, DEMATE), (2, 0, FRONT, 4, DEMATE))
    assert state.partner.tolist() == [1, 1]
    assert state.irregular.tolist() == [0, NOT_THERE]


def test_unknown_ports_and_connectors_are_passed_over() -> None:
    """An event with a port or connector of -1 changes nothing."""
    state = play((1, -1, FRONT, 0, MATE), (2, 0, FRONT, -1, MATE))
    assert state.port_now.tolist() == play().port_now.tolist()


def test_patching_as_of_a_time_plays_the_events_up_to_it() -> None:
    """At the time of an event it has happened; before the first it is the start."""
    events = ([10, 20], [0, 2], [FRONT, FRONT], [0, 0], [DEMATE, MATE])
    for until, port in ((9, 0), (10, -1), (19, -1), (20, 2), (99, 2)):
        now, _ = patching_as_of(START_PORT, START_FACE, FIXED_PORT, *events, until)
        assert now[0] == port


def test_arrays_of_different_lengths_are_refused() -> None:
    """The message names the array, what it got and what it must be."""
    with pytest.raises(ParameterError, match=r"event_port: got shape \(1,\), must be \(2,\)"):
        replay([0], [0], [-1], [1, 2], [0], [0, 0], [0, 0], [0, 0])


Event = tuple[int, int, int, int, int]


def plain_replay(events: list[Event]) -> tuple[list[int], dict[int, tuple[int, int]]]:
    """The same rules with dicts: partners of the events, and the place of every plugged connector."""
    start = enumerate(zip(START_PORT, START_FACE, FIXED_PORT, strict=True))
    place = {c: (p, f) for c, (p, f, fixed) in start if p >= 0 and fixed < 0}
    behind = {p: c for c, p in enumerate(FIXED_PORT) if p >= 0}
    partners = [-1] * len(events)

    def play(i: int) -> None:
        _, port, face, connector, action = events[i]
        if FIXED_PORT[connector] >= 0:
            return
        there = {at: c for c, at in place.items()}
        if face == FRONT:
            opposite = behind.get(port, there.get((port, REAR), -1))
        else:
            opposite = -1 if port in behind else there.get((port, FRONT), -1)
        occupant = there.get((port, face))
        partner = -1 if opposite == connector else opposite
        if action == MATE:
            if occupant is not None:
                place.pop(occupant)
            place[connector] = (port, face)
            partners[i] = partner
        else:
            place.pop(connector, None)
            if occupant in (connector, None):
                partners[i] = partner

    for moment in sorted({event[0] for event in events}):
        waiting = [i for i, event in enumerate(events) if event[0] == moment]
        while waiting:
            i = waiting.pop(0)
            _, port, face, connector, action = events[i]
            if action == MATE:
                # whoever is in the way and leaves at this very moment leaves first
                in_the_way = {(c, at) for c, at in place.items() if c == connector or at == (port, face)}
                for j in list(waiting):
                    _, p, f, c, leaves = events[j]
                    if leaves == DEMATE and (c, (p, f)) in in_the_way and place.get(c) == (p, f):
                        waiting.remove(j)
                        play(j)
            play(i)
    return partners, place


@settings(max_examples=200, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 6), st.integers(0, 2), st.integers(0, 1), st.integers(0, 5), st.integers(0, 1)),
        max_size=30,
    )
)
def test_any_history_equals_a_replay_with_dicts(events: list[Event]) -> None:
    """Regular or not, in any order: partners and final places are those of a plain replay."""
    state = play(*events)
    partners, place = plain_replay(events)
    assert state.partner.tolist() == partners
    for connector in range(6):
        if FIXED_PORT[connector] < 0:
            want = place.get(connector, (-1, -1))
            assert (state.port_now[connector], state.face_now[connector]) == want
    assert state.partner_now.tolist() == mated_with(state.port_now, state.face_now).tolist()


def test_two_connectors_on_one_face_at_the_start_are_kept_apart() -> None:
    """The first has the face and the partner; the second has a port on record but no partner."""
    partner = mated_with(np.array([0, 0, 0]), np.array([FRONT, FRONT, REAR]))
    assert partner.tolist() == [2, -1, 0]
