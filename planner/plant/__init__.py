"""The plant: tables -> arrays -> paths, audit, impact, and a networkx view for users of the library.

>>> from planner.plant import build_plant, trace_all, paths_frame, as_networkx
"""

from planner.plant.audit import audit
from planner.plant.graph import Plant, build_plant
from planner.plant.impact import shared_elements, who_goes_dark
from planner.plant.patching import Replay, patching_as_of, replay
from planner.plant.trace import Paths, paths_frame, status_frame, trace_all, trace_circuit
from planner.plant.view import as_networkx

__all__ = [
    "Paths",
    "Plant",
    "Replay",
    "as_networkx",
    "audit",
    "build_plant",
    "patching_as_of",
    "paths_frame",
    "replay",
    "shared_elements",
    "status_frame",
    "trace_all",
    "trace_circuit",
    "who_goes_dark",
]
