"""Turns a TopoJSON file of countries into the compact outlines the maps are drawn from.

Run once when a newer edition of the outlines is wanted:

    python -m dashboards.base_map.convert countries-50m.json

The outlines are Natural Earth's 1:50m countries, which are in the public domain (naturalearthdata.com,
version 4.1.0, as redistributed in the npm package `world-atlas` 2.0.2). Written: land rings and the borders
between two countries, as flat lists of whole numbers: first point, then differences, in units of 1/200
degree (about 0.5 km, finer than outlines of that scale are true).
"""

from __future__ import annotations

import itertools
import json
import sys
from collections import Counter
from pathlib import Path
from typing import Any

UNITS_PER_DEGREE = 200
OUTLINES = Path(__file__).with_name("outlines.json")


def decoded_arcs(topology: dict[str, Any]) -> list[list[tuple[float, float]]]:
    """The arcs of a quantised topology as (longitude, latitude) in degrees."""
    scale_x, scale_y = topology["transform"]["scale"]
    move_x, move_y = topology["transform"]["translate"]
    arcs = []
    for arc in topology["arcs"]:
        x = y = 0
        points = []
        for step_x, step_y in arc:
            x += step_x
            y += step_y
            points.append((x * scale_x + move_x, y * scale_y + move_y))
        arcs.append(points)
    return arcs


def stitched(ring: list[int], arcs: list[list[tuple[float, float]]]) -> list[tuple[float, float]]:
    """One ring from its arc numbers; a negative number is that arc reversed."""
    points: list[tuple[float, float]] = []
    for number in ring:
        arc = arcs[number] if number >= 0 else arcs[~number][::-1]
        points.extend(arc[1:] if points else arc)
    return points


def packed(points: list[tuple[float, float]]) -> list[int]:
    """Points as whole numbers: the first one, then differences; repeated points are dropped."""
    whole = [(round(x * UNITS_PER_DEGREE), round(y * UNITS_PER_DEGREE)) for x, y in points]
    kept = [point for index, point in enumerate(whole) if index == 0 or point != whole[index - 1]]
    flat = list(kept[0])
    for (x0, y0), (x1, y1) in itertools.pairwise(kept):
        flat += [x1 - x0, y1 - y0]
    return flat


def _rings(geometry: dict[str, Any]) -> list[list[int]]:
    if geometry["type"] == "Polygon":
        return list(geometry["arcs"])
    if geometry["type"] == "MultiPolygon":
        return [ring for polygon in geometry["arcs"] for ring in polygon]
    return []


def convert(topology: dict[str, Any]) -> dict[str, Any]:
    """The compact outlines of a topology that holds the objects `land` and `countries`."""
    arcs = decoded_arcs(topology)
    land = [ring for geometry in topology["objects"]["land"]["geometries"] for ring in _rings(geometry)]
    uses = Counter(
        number if number >= 0 else ~number
        for geometry in topology["objects"]["countries"]["geometries"]
        for ring in _rings(geometry)
        for number in ring
    )
    return {
        "source": "Natural Earth 1:50m, version 4.1.0, public domain",
        "units_per_degree": UNITS_PER_DEGREE,
        "land": [packed(stitched(ring, arcs)) for ring in land],
        "borders": [packed(arcs[number]) for number, count in sorted(uses.items()) if count > 1],
    }


def main(arguments: list[str]) -> int:
    """Convert the file named on the command line; returns the exit code."""
    if len(arguments) != 1:
        sys.stderr.write("usage: python -m dashboards.base_map.convert countries-50m.json\n")
        return 2
    outlines = convert(json.loads(Path(arguments[0]).read_text(encoding="utf-8")))
    OUTLINES.write_text(json.dumps(outlines, separators=(",", ":")), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
