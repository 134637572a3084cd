"""Maps on a plain plane: public-domain outlines clipped to the fleet, no map server.

East-west distances shrink with latitude, so y is drawn at 1/cos(latitude of the middle).
"""

from __future__ import annotations

import json
import math
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dashboards.base_map.convert import OUTLINES
from dashboards.components.charts import Spec, layout_of
from planner.errors import InputError

Ring = NDArray[np.float64]
Box = tuple[float, float, float, float]


def unpacked(flat: list[int], units_per_degree: int) -> Ring:
    """A line of the outlines file as longitude and latitude, shape (n, 2). [deg]"""
    return np.cumsum(np.asarray(flat, dtype=np.float64).reshape(-1, 2), axis=0) / units_per_degree


@lru_cache(maxsize=1)
def outlines() -> tuple[list[Ring], list[Ring], str]:
    """Land rings, borders and where they come from."""
    document = json.loads(OUTLINES.read_text(encoding="utf-8"))
    units = document["units_per_degree"]
    land = [unpacked(flat, units) for flat in document["land"]]
    borders = [unpacked(flat, units) for flat in document["borders"]]
    return land, borders, str(document["source"])


@lru_cache(maxsize=4)
def own_lines(path: Path) -> list[Ring]:
    """Lines and outlines of a GeoJSON file, in WGS84 degrees.

    Raises
    ------
    InputError
        The file cannot be read as GeoJSON.
    """
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, json.JSONDecodeError) as error:
        raise InputError(f"{path}: cannot be read as GeoJSON ({error}); give a file in WGS84 degrees") from error
    lines: list[Ring] = []

    def collect(geometry: Any) -> None:
        if not isinstance(geometry, dict):
            return
        kind, points = geometry.get("type"), geometry.get("coordinates", [])
        if kind == "FeatureCollection":
            for feature in geometry.get("features", []):
                collect(feature)
        elif kind == "Feature":
            collect(geometry.get("geometry"))
        elif kind == "GeometryCollection":
            for part in geometry.get("geometries", []):
                collect(part)
        elif kind == "LineString":
            lines.append(np.asarray(points, dtype=np.float64)[:, :2])
        elif kind in ("MultiLineString", "Polygon"):
            lines.extend(np.asarray(part, dtype=np.float64)[:, :2] for part in points)
        elif kind == "MultiPolygon":
            lines.extend(np.asarray(ring, dtype=np.float64)[:, :2] for part in points for ring in part)

    try:
        collect(document)
    except (ValueError, IndexError, TypeError) as error:
        raise InputError(f"{path}: its coordinates are not pairs of numbers; must be GeoJSON") from error
    if not lines:
        raise InputError(f"{path}: holds no line or polygon; must be GeoJSON with LineString or Polygon features")
    return lines


def clipped(ring: Ring, box: Box) -> Ring:
    """A closed ring cut to a box (Sutherland and Hodgman 1974); empty where it lies outside."""
    west, south, east, north = box
    for axis, bound, keep_above in ((0, west, True), (0, east, False), (1, south, True), (1, north, False)):
        if len(ring) == 0:
            return ring
        following = np.roll(ring, -1, axis=0)
        side = ring[:, axis] - bound if keep_above else bound - ring[:, axis]
        next_side = np.roll(side, -1)
        inside, next_inside = side >= 0, next_side >= 0
        crossing = inside != next_inside
        share = np.where(crossing, side / np.where(crossing, side - next_side, 1.0), 0.0)
        cut = ring + share[:, None] * (following - ring)
        # each edge gives its cut (if it crosses), then its end (if that is inside)
        pieces = np.stack([cut, following], axis=1).reshape(-1, 2)
        ring = pieces[np.stack([crossing, next_inside], axis=1).reshape(-1)]
    return ring


def _overlaps(ring: Ring, box: Box) -> bool:
    west, south, east, north = box
    low, high = ring.min(axis=0), ring.max(axis=0)
    return bool(low[0] <= east and high[0] >= west and low[1] <= north and high[1] >= south)


def _joined(rings: list[Ring], scale_y: float) -> tuple[list[float | None], list[float | None]]:
    x: list[float | None] = []
    y: list[float | None] = []
    for ring in rings:
        x += [*np.round(ring[:, 0], 4).tolist(), None]
        y += [*np.round(ring[:, 1] * scale_y, 4).tolist(), None]
    return x, y


def frame_box(longitudes: NDArray[np.float64], latitudes: NDArray[np.float64]) -> Box:
    """A box around the points with room to spare. [deg]"""
    west, east = float(longitudes.min()), float(longitudes.max())
    south, north = float(latitudes.min()), float(latitudes.max())
    room_x = max(0.12 * (east - west), 0.05)
    room_y = max(0.12 * (north - south), 0.05)
    return west - room_x, south - room_y, east + room_x, north + room_y


def y_scale(box: Box) -> float:
    """How much taller a degree of latitude is drawn than one of longitude."""
    middle = math.radians(max(-85.0, min(85.0, (box[1] + box[3]) / 2)))
    return 1 / math.cos(middle)


def base_map(box: Box, own: Path | None = None) -> list[Spec]:
    """Traces of land and borders within a box (with a margin for panning), or of the user's own lines."""
    scale = y_scale(box)
    reach_x, reach_y = 2 * (box[2] - box[0]), 2 * (box[3] - box[1])
    wide = (box[0] - reach_x, box[1] - reach_y, box[2] + reach_x, box[3] + reach_y)
    quiet = {"type": "scatter", "mode": "lines", "hoverinfo": "skip"}
    if own is not None:
        x, y = _joined([line for line in own_lines(own) if _overlaps(line, wide)], scale)
        return [{**quiet, "x": x, "y": y, "line": {"color": "~faint", "width": 0.8}}]
    land, borders, _ = outlines()
    rings = [cut for ring in land if _overlaps(ring, wide) for cut in [clipped(ring, wide)] if len(cut) > 2]
    x, y = _joined([np.vstack([ring, ring[:1]]) for ring in rings], scale)
    border_x, border_y = _joined([line for line in borders if _overlaps(line, wide)], scale)
    return [
        {**quiet, "x": x, "y": y, "fill": "toself", "fillcolor": "~land", "line": {"color": "~coast", "width": 0.8}},
        {**quiet, "x": border_x, "y": border_y, "line": {"color": "~coast", "width": 0.8, "dash": "dot"}},
    ]


def scale_bar(box: Box) -> tuple[list[Spec], list[Spec]]:
    """Shapes and annotations of a scale bar of a round number of kilometres."""
    middle = math.radians((box[1] + box[3]) / 2)
    km_per_degree = 111.32 * math.cos(middle)
    wanted = 0.2 * (box[2] - box[0]) * km_per_degree
    power = 10 ** math.floor(math.log10(max(wanted, 0.1)))
    km = max(step * power for step in (1, 2, 5) if step * power <= max(wanted, power))
    left = box[0] + 0.03 * (box[2] - box[0])
    y = (box[1] + 0.04 * (box[3] - box[1])) * y_scale(box)
    right = left + km / km_per_degree
    line = {"type": "line", "x0": left, "x1": right, "y0": y, "y1": y, "line": {"color": "~ink", "width": 2}}
    words = {
        "x": (left + right) / 2,
        "y": y,
        "yanchor": "bottom",
        "showarrow": False,
        "text": f"{km:g} km",
        "font": {"color": "~ink", "size": 11},
    }
    return [line], [words]


def map_figure(box: Box, traces: list[Spec], own: Path | None = None) -> Spec:
    """A map of the box with the given traces over the outlines."""
    scale = y_scale(box)
    shapes, annotations = scale_bar(box)
    hidden = {"visible": False, "showgrid": False}
    return {
        "data": base_map(box, own) + traces,
        "layout": layout_of(
            plot_bgcolor="~sea",
            xaxis={**hidden, "range": [box[0], box[2]], "constrain": "range"},
            yaxis={**hidden, "range": [box[1] * scale, box[3] * scale], "scaleanchor": "x", "constrain": "range"},
            shapes=shapes,
            annotations=annotations,
            margin={"l": 0, "r": 0, "t": 0, "b": 0},
            dragmode="pan",
            clickmode="event",
            hovermode="closest",
        ),
    }
