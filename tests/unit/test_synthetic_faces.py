"""What happens on end faces in the simulator, seen through a whole small fleet's marks."""

from __future__ import annotations

import numpy as np
import pytest
from numba import njit

from planner.synthetic import particles as pt
from planner.synthetic.settings import Settings, parameters

Marks = list[tuple[int, int, float, float, float]]  # kind, loose, x, y, size


@njit
def judge(faces, dirty, damaged, shaded, excess):  # type: ignore[no-untyped-def]
    """The state of every face, and what dirt and damage cost on fibre 0."""
    for f in range(faces.face.shape[0]):
        dirty[f] = pt.is_contaminated(faces, f)
        damaged[f] = pt.is_damaged(faces, f)
        shaded[f] = pt.struck_by(faces, f, np.int64(0), np.int64(2))
        excess[f] = pt.face_excess_db(faces, f, np.int64(0), np.int64(2))


@njit
def look_often(faces, times, par, rng, found):  # type: ignore[no-untyped-def]
    """How often a face fails in so many looks."""
    for f in range(faces.face.shape[0]):
        for _ in range(times):
            fails, _finding, _zone = pt.look(faces, f, 0.0, par, rng)
            found[f] += fails


@njit
def join_all(faces, par, rng):  # type: ignore[no-untyped-def]
    """Mate faces 0 and 1, 2 and 3, and so on."""
    for f in range(0, faces.face.shape[0], 2):
        pt.join(faces, f, f + 1, par, rng)


@njit
def clean_all(faces, method, quality, par, rng):  # type: ignore[no-untyped-def]
    """Clean every face once."""
    for f in range(faces.face.shape[0]):
        pt.clean(faces, f, np.int64(method), quality, 0.0, par, rng)


def with_marks(faces_marks: list[Marks]) -> pt.Faces:
    """Single-fibre faces with these marks."""
    n = len(faces_marks)
    faces = pt.new_faces(np.ones(n), np.zeros(n))
    for f, marks in enumerate(faces_marks):
        for s, (kind, loose, x, y, size) in enumerate(marks):
            mark = faces.mark[f, s]
            mark["kind"], mark["loose"], mark["x"], mark["y"], mark["size"] = kind, loose, x, y, size
            mark["origin"] = -1
    return faces


def judged(faces: pt.Faces) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Contaminated, damaged, share of light struck, loss."""
    n = faces.face.shape[0]
    out = np.zeros(n, bool), np.zeros(n, bool), np.zeros(n), np.zeros(n)
    judge(faces, *out)
    return out


@pytest.fixture
def par() -> np.ndarray:
    """The standard parameters."""
    return parameters(Settings(1000, 100, 1))


@pytest.fixture
def rng() -> np.ndarray:
    """A stream of numbers."""
    return np.array([12345], dtype=np.uint64)


def test_state_follows_size_and_place() -> None:
    """Dirt counts by zone and size; pits and scratches count as damage, not as dirt."""
    faces = with_marks(
        [
            [],
            [(pt.DUST, 1, 3.0, 0.0, 1.2)],  # core zone
            [(pt.DUST, 1, 40.0, 0.0, 3.0)],  # cladding zone, small
            [(pt.GRAIN, 1, 40.0, 0.0, 6.0)],  # cladding zone, large
            [(pt.GRAIN, 1, 100.0, 0.0, 6.0)],  # contact zone, small
            [(pt.GRAIN, 1, 100.0, 0.0, 11.0)],  # contact zone, large
            [(pt.PIT, 0, 3.0, 0.0, 2.0)],
            [(pt.SCRATCH, 0, 3.0, 0.0, 0.5)],
        ]
    )
    dirty, damaged, _, _ = judged(faces)
    assert dirty.tolist() == [False, True, False, True, False, True, False, False]
    assert damaged.tolist() == [False, False, False, False, False, False, True, False]


def test_dirt_off_the_core_costs_no_light_and_dirt_on_it_does() -> None:
    """A 3 um grain on the axis costs about 1.85 dB, the same grain 30 um off nothing."""
    _, _, struck, excess = judged(with_marks([[(pt.GRAIN, 0, 0.0, 0.0, 3.0)], [(pt.GRAIN, 0, 30.0, 0.0, 3.0)]]))
    assert struck[0] == pytest.approx(0.19157, abs=1e-4)
    assert excess[0] == pytest.approx(1.847, abs=2e-3)
    assert excess[1] == 0.0


def test_tall_grain_beside_the_core_holds_a_gap_open() -> None:
    """A hard 20 um grain in the contact zone costs light by the gap, though it shades nothing."""
    _, _, struck, excess = judged(with_marks([[(pt.GRAIN, 1, 80.0, 0.0, 20.0)]]))
    assert struck[0] == 0.0
    assert 0.1 < excess[0] < 1.0


def test_mating_moves_loose_dirt_across_and_keeps_its_origin(par: np.ndarray, rng: np.ndarray) -> None:
    """About a third of loose specks jump to the partner, mirrored, and remember where they came from."""
    pairs = 2000
    marks: list[Marks] = []
    for _ in range(pairs):
        marks += [[(pt.DUST, 1, 30.0, 0.0, 3.0)], []]
    faces = with_marks(marks)
    join_all(faces, par, rng)
    clean_side = faces.mark[1::2]
    moved = (clean_side["kind"] == pt.DUST) & (clean_side["size"] == np.float32(3.0)) & (clean_side["origin"] >= 0)
    share = moved.any(axis=1).mean()
    assert share == pytest.approx(par[pt.P_TRANSFER], abs=0.04)
    rows, _ = np.nonzero(moved)
    assert np.array_equal(np.unique(clean_side["origin"][moved]), np.unique(2 * rows))
    assert np.mean(clean_side["x"][moved] < 0) > 0.95


def test_mating_draws_dirt_inwards(par: np.ndarray, rng: np.ndarray) -> None:
    """Over several matings loose dirt comes nearer to the core on average."""
    faces = with_marks([[(pt.DUST, 1, 60.0, 0.0, 3.0)] for _ in range(2000)])
    for _ in range(3):
        join_all(faces, par, rng)
    there = faces.mark["kind"] == pt.DUST
    assert np.median(np.hypot(faces.mark["x"][there], faces.mark["y"][there])) < 50


@pytest.mark.parametrize("method", range(6))
def test_cleaning_removes_most_loose_dirt_and_never_damage(method: int, par: np.ndarray, rng: np.ndarray) -> None:
    """Each method takes most loose specks away, fewer stuck ones, and leaves pits."""
    n = 3000
    faces = with_marks([[(pt.DUST, 1, 20.0, 0.0, 3.0), (pt.PIT, 0, 5.0, 0.0, 2.0)] for _ in range(n)])
    stuck = with_marks([[(pt.RESIDUE, 0, 20.0, 0.0, 3.0)] for _ in range(n)])
    clean_all(faces, method, 0.0, par, rng)
    clean_all(stuck, method, 0.0, par, rng)
    loose_gone = (faces.mark["kind"][:, 0] != pt.DUST).mean()
    stuck_gone = (stuck.mark["kind"][:, 0] != pt.RESIDUE).mean()
    assert loose_gone == pytest.approx(pt.LOOSE_REMOVED[method], abs=0.07)
    assert stuck_gone == pytest.approx(pt.STUCK_REMOVED[method], abs=0.07)
    assert (faces.mark["kind"][:, 1] == pt.PIT).all()


def test_better_hands_clean_better(par: np.ndarray, rng: np.ndarray) -> None:
    """A good technician removes more than a poor one."""
    left = []
    for quality in (-1.5, 1.5):
        faces = with_marks([[(pt.DUST, 1, 20.0, 0.0, 3.0)] for _ in range(3000)])
        clean_all(faces, 0, quality, par, rng)
        left.append((faces.mark["kind"][:, 0] == pt.DUST).mean())
    assert left[1] < left[0] - 0.1


def test_looks_find_plain_dirt_and_rarely_invent_it(par: np.ndarray, rng: np.ndarray) -> None:
    """A plain speck on the core is nearly always found; a spotless face fails in two or three looks of a hundred."""
    faces = with_marks([[(pt.GRAIN, 0, 2.0, 0.0, 4.0)], []])
    found = np.zeros(2)
    look_often(faces, 4000, par, rng, found)
    share = found / 4000
    assert share[0] > 0.95
    assert 0.01 < share[1] < 0.05
