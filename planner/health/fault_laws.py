"""What each cause of a weak circuit looks like: sizes, shapes in time, how common it is to begin with.

Every figure here is a default the fleet's own data may move (how common) or a broad law that no single
reading depends on (sizes, shapes). Sources: the trade figures are common practice or our estimates, none
is a standard's; the shares of causes are re-learned from the fleet and from closed work orders.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from planner.health.offset_law import OFFSET_SCALE_DB, offset_density
from planner.tables.result_tables import CAUSES

CODE = {name: number for number, name in enumerate(CAUSES)}

# Present size of a fault in dB, logarithmic from the smallest that matters to a dark fibre.
SIZES_DB = np.geomspace(0.03, 60.0, 32)

RAMP_DAYS = (0, 60, 240)  # a step, a ramp over two months, a slow fade

# Causes that sit on the path and dim the light, in the order of the evidence arrays.
PATH_CAUSES = ("contamination", "damaged_end_face", "bend", "splice", "fibre_break", "remating_offset", "nothing")
PATH_COLUMN = {CODE[name]: column for column, name in enumerate(PATH_CAUSES)}

# What can be wrong with a joint: with one of its two faces, or with how they sit ("nothing": too little to name).
JOINT_CAUSES = np.array([CODE[c] for c in ("contamination", "damaged_end_face", "remating_offset", "nothing")])
FACE_CAUSES, OFFSETS = JOINT_CAUSES[:2], JOINT_CAUSES[2:]
OFFSET_COLUMNS = tuple(PATH_COLUMN[int(code)] for code in OFFSETS)

# A change smaller than this is not called a fault: it belongs to "nothing". [dB] Our choice.
SMALLEST_FAULT_DB = 0.12
SMALL_SHIFT_DB, SMALL_SHIFT_SPREAD = 0.06, 0.6
# A remating offset smaller than this is not worth naming: it belongs to "nothing" too. [dB] Our choice.
SMALLEST_OFFSET_DB = 0.18
# Transmitters age: share of those whose launch falls slowly within the readings, by a half-normal of this scale. [dB]
# Our estimates; an exchange is worth while beyond.
AGEING_SHARE, AGEING_DB = 0.3, 0.2
SMALL_SHIFT_SHARE = 0.5  # of circuits with nothing wrong, those whose level moved a little all the same

# Median and spread of the logarithm of the size. [dB] Our estimates; wide on purpose.
_LOG_SIZE = {
    "contamination": (0.35, 0.9),
    "damaged_end_face": (0.40, 0.9),
    "bend": (0.9, 1.0),
    "splice": (0.4, 0.9),
    "transceiver": (1.2, 0.9),
}
SIZE_FREEDOM = 4.0  # of the Student-t that the logarithm of a size follows. Our estimate.
# What a joint or a splice that still guides light costs hardly ever exceeds this: more is a break or an open joint.
# [dB] Our estimate.
GUIDING_DB = 15.0
GUIDING = ("contamination", "damaged_end_face", "splice")
# Share of steps, two-month ramps, slow fades.
_SHAPES = {
    "contamination": (0.80, 0.15, 0.05),
    "damaged_end_face": (0.85, 0.10, 0.05),
    "bend": (0.85, 0.10, 0.05),
    "splice": (0.50, 0.25, 0.25),
    "fibre_break": (0.98, 0.01, 0.01),
    "remating_offset": (0.98, 0.01, 0.01),
    "transceiver": (0.30, 0.30, 0.40),
    "nothing": (0.60, 0.20, 0.20),
    "ageing": (0.0, 0.1, 0.9),
}
# Attenuation of a bend against wavelength: exp(k (nm - 1550)); 1310 nm loses .15 of 1550 nm at k = .008.
BEND_PER_NM = (0.004, 0.008, 0.012)

# What was there before the first reading and shows in nothing is small. [dB] Our estimate.
UNSEEN_DB = 0.2
# Probability that an end face which is dirty (damaged) costs its circuit light that can be seen. Learned.
COSTS_LIGHT = {"contamination": 0.20, "damaged_end_face": 0.30}
DEFAULT_P_CONTAMINATED = 0.12
DEFAULT_P_DAMAGED = 0.01
# Probability that this element is at fault now. Our estimates; learned by cause, relative sizes kept.
BEND_BY_CABLE = {
    "patch_cord": 0.0015,
    "pigtail": 0.0004,
    "trunk": 0.0010,
    "feeder": 0.0010,
    "distribution": 0.0010,
    "drop": 0.0020,
    "launch_cord": 0.0,
}
BREAK_BY_CABLE = {
    "patch_cord": 0.0003,
    "pigtail": 0.0001,
    "trunk": 0.0002,
    "feeder": 0.0006,
    "distribution": 0.0006,
    "drop": 0.0006,
    "launch_cord": 0.0,
}
SPLICE_RATE = 0.0006
TRANSCEIVER_RATE = 0.006
OFFSET_RATE = 0.5  # that a joint that was mated sits worse than before, however little
RECORD_RATE = 0.002
UNTRACED_RECORD_RATE = 0.5

# Touches that are not on record, per one that is. Our estimate; what the audit finds are single lost rows.
UNRECORDED_TOUCHES = 0.05
UNRECORDED_LIMITS = (0.02, 0.3)  # of what that comes to for one joint within the readings
# Weight of "it was so before the first reading", in touches.
BEFORE_TOUCHES = 1.0
# How the light's change lies about the day of a touch (days from expected to weight).
TOUCH_SPREAD = ((0, 0.74), (1, 0.12), (-1, 0.08), (2, 0.03), (-2, 0.03))

# Probability that a path fault shows in both directions of the same fibre, where both are read.
SEEN_BOTH_WAYS = 0.90
# Probability that a circuit over a shared element is not hit, by cause, where the element is at fault.
SPARED = {
    "contamination": 0.05,
    "damaged_end_face": 0.05,
    "bend": 0.10,
    "splice": 0.05,
    "fibre_break": 0.10,
    "remating_offset": 0.05,
    "nothing": 0.05,
}
# of the fibres of an array each is dirty or not by itself, and a new mating improves as many as it worsens
SPARED_ARRAY_FACE = 0.60
# Probability that a fault of an element of several fibres hits a single one: then the others say nothing.
ALONE = {
    "contamination": 0.01,
    "damaged_end_face": 0.01,
    "bend": 0.05,
    "splice": 0.01,
    "fibre_break": 0.50,
    "remating_offset": 0.01,
    "nothing": 0.01,
}
ALONE_ARRAY_FACE = 0.30
ALONE_ONE_FIBRE = 0.05  # the common part of a passive tree
UNKNOWN_PATH_RATE = {  # that something is wrong on a path of usual length, where no path is known to learn it from
    "contamination": 0.15,
    "damaged_end_face": 0.02,
    "bend": 0.006,
    "splice": 0.003,
    "fibre_break": 0.002,
    "remating_offset": 1.0,
    "nothing": 1.0,
}


def size_law(cause: str, offset_scale_db: float = OFFSET_SCALE_DB) -> NDArray[np.float64]:
    """Probabilities over `SIZES_DB` of the present size of a fault of that cause, shape (32,).

    "ageing" is the usual slow fall of a launch, no fault.
    Faults begin at `SMALLEST_FAULT_DB`, offsets at `SMALLEST_OFFSET_DB`; what is smaller is "nothing". A
    remating offset has the size of a Student-t of five degrees of freedom and the given scale.
    """
    log_size = np.log(SIZES_DB)
    if cause == "fibre_break":
        weight = np.where(SIZES_DB >= 5.0, 1.0, np.where(SIZES_DB >= 2.0, 0.3, 0.0))
    elif cause == "nothing":
        spread = (log_size - np.log(SMALL_SHIFT_DB)) / SMALL_SHIFT_SPREAD
        weight = np.where(SIZES_DB < SMALLEST_OFFSET_DB, np.exp(-0.5 * spread**2), 0.0)
    elif cause == "ageing":
        weight = SIZES_DB * np.exp(-0.5 * (SIZES_DB / AGEING_DB) ** 2)
    elif cause == "remating_offset":
        # density of |t| per log size
        density = SIZES_DB * offset_density(SIZES_DB, offset_scale_db)
        weight = np.where(SIZES_DB >= SMALLEST_OFFSET_DB, density, 0.0)
    else:
        median, spread = _LOG_SIZE[cause]
        # a particle in the middle of the core takes most of the light: the upper tail is heavy
        bell = (1.0 + ((log_size - np.log(median)) / spread) ** 2 / SIZE_FREEDOM) ** (-(SIZE_FREEDOM + 1) / 2)
        weight = np.where(SIZES_DB >= SMALLEST_FAULT_DB, bell, 0.0)
        if cause in GUIDING:
            weight = weight * np.exp(-((SIZES_DB / GUIDING_DB) ** 2))
    return np.asarray(weight / weight.sum(), np.float64)


def log_costing(share: float) -> float:
    """Log of how much commoner dirt that costs light is than by our estimate, where that share of dirt does.

    Examples
    --------
    >>> log_costing(COSTS_LIGHT["contamination"])
    0.0
    """
    return float(np.log(share / COSTS_LIGHT["contamination"]))


def offset_share(offset_scale_db: float) -> float:
    """Share of remating offsets that are large enough to be named.

    Examples
    --------
    >>> offset_share(0.05) < 0.02 < 0.3 < offset_share(0.2)
    True
    """
    sizes = np.linspace(0.0, 10.0, 4001)
    density = offset_density(sizes, offset_scale_db)
    return float(density[sizes >= SMALLEST_OFFSET_DB].sum() / density.sum())


def shape_law(cause: str) -> NDArray[np.float64]:
    """Probabilities over `RAMP_DAYS` of how a fault of that cause comes, shape (3,)."""
    return np.array(_SHAPES[cause])


def bend_ratio(
    wavelength_nm: NDArray[np.float64], reference_nm: NDArray[np.float64], per_nm: float
) -> NDArray[np.float64]:
    """Loss of a bend at one wavelength for 1 dB at the reference wavelength.

    Examples
    --------
    >>> round(float(bend_ratio(np.array(1310.0), np.array(1550.0), 0.008)), 3)
    0.147
    """
    return np.asarray(np.exp(np.clip(per_nm * (wavelength_nm - reference_nm), -3.0, 3.0)), np.float64)
