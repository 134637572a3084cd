"""The demo's story: what is planted on purpose in the invented fleet, for people to find.

A test set that contaminates what it measures, a bad batch of cords, a site with poor habits, a bend on a
trunk and a fading transmitter. Everything else in the fleet happens by chance.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from planner.synthetic import particles as pt
from planner.synthetic import state as st
from planner.synthetic.faults import Faults
from planner.synthetic.plant import CABLE, CABLE_KIND, SITE_KIND, Plant

IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]


@dataclass
class Story:
    """Things planted on purpose: rows of kind, id kind and number, and a sentence."""

    kinds: list[str] = field(default_factory=list)
    id_kinds: list[str] = field(default_factory=list)
    numbers: list[int] = field(default_factory=list)
    words: list[str] = field(default_factory=list)
    unnoticed: list[int] = field(default_factory=list)  # circuits whose planted fault nobody has reported yet

    def tell(self, kind: str, id_kind: str, row: int, words: str) -> None:
        """Add one planted thing."""
        self.kinds.append(kind)
        self.id_kinds.append(id_kind)
        self.numbers.append(row)
        self.words.append(words)


def plant_story_faults(plant: Plant, faults: Faults, days: int, told: Story) -> None:
    """The bend and the fading transmitter."""
    circuit = np.repeat(np.arange(plant.circuit_start.shape[0] - 1), np.diff(plant.circuit_start))
    on_cable = plant.element_kind == CABLE
    feeder = on_cable & (plant.cables["kind"][np.where(on_cable, plant.element_ref, 0)] == CABLE_KIND["feeder"])
    metro = feeder & (plant.circuits["kind"][circuit] == 1)
    cable = int(plant.element_ref[metro][0])
    riders = np.unique(circuit[on_cable & (plant.element_ref == cable)])
    faults.add(st.FAULT_BEND, "cable", cable, (days - 41) * st.DAY_MIN, 1.9, 0.0, 0.3, riders)
    told.unnoticed += riders.tolist()
    told.tell("bend", "cable", cable, "a tight bend on a feeder since 41 days: every circuit over it lost light")
    old = (plant.circuits["kind"] == 0) & (plant.circuits["in_service"] < 0)
    fading = int(np.nonzero(old & (plant.circuits["application"] != 0))[0][5])
    port = int(plant.circuits["a_port"][fading])
    faults.add(
        st.FAULT_TRANSMITTER, "port", port, (days - 150) * st.DAY_MIN, 2.6, 140 * st.DAY_MIN, 1.0, np.array([fading])
    )
    told.unnoticed.append(fading)
    told.tell("fading_transmitter", "port", port, "a transmitter that has faded for 150 days")


def plant_story_world(plant: Plant, world: st.World, told: Story) -> None:
    """The site with poor habits and the crew that never looks at its launch cords."""
    ports_at = np.diff(world.site_port_start)
    office = plant.sites["kind"] == SITE_KIND["central_office"]
    site = int(np.argmax(np.where(office, ports_at, 0)))
    here = world.port["site"] == site
    world.port["dust"][here] = 1.6
    world.port["tool_dirt"][here] = 0.25
    world.port["finger"][here] = 0.10
    world.port["care"][here] = 0.25
    told.tell("poor_habits", "site", site, "a site where caps lie open and tools are reused")
    world.circuit["threshold"][told.unnoticed] = 60.0
    world.launch_care[0] = 0.0
    for face in plant.launch_faces[0]:
        told.tell(
            "contaminating_launch_cord", "connector", int(face), "free end of a launch cord that is never cleaned"
        )
    told.tell(
        "contaminating_test_set", "housing", int(plant.test_housings[0]), "the test set these launch cords belong to"
    )


def spoil_story_faces(plant: Plant, faces: pt.Faces, rng: np.random.Generator, told: Story) -> None:
    """The bad batch of cords, and dirt on the launch cords of the story's test set."""
    batch_of_face = np.where(
        plant.connectors["cable"] >= 0, plant.cables["batch"][np.maximum(plant.connectors["cable"], 0)], -1
    )
    sizes = np.bincount(batch_of_face[batch_of_face >= 0])
    batch = int(np.argmax(sizes))
    bad = np.nonzero(batch_of_face == batch)[0]
    soiled = bad[rng.random(bad.shape[0]) < 0.75]
    place_dirt(faces, soiled, rng, 2, 45.0)
    told.tell("bad_batch", "batch", batch, "cords that came with residue from polishing on most ends")
    place_dirt(faces, plant.launch_faces[0], rng, 6, 60.0)
    faces.face["film"][plant.launch_faces[0]] = 0.8


def place_dirt(faces: pt.Faces, which: IntArray, rng: np.random.Generator, marks: int, reach_um: float) -> None:
    """Put that many residues, dust or grains within a radius on each of these faces."""
    n = which.shape[0]
    for s in range(marks):
        radius = reach_um * rng.random(n) ** 0.8
        angle = rng.uniform(0, 2 * np.pi, n)
        kind = rng.choice(np.array([pt.DUST, pt.GRAIN, pt.RESIDUE]), n)
        faces.mark["kind"][which, s] = kind
        faces.mark["loose"][which, s] = kind != pt.RESIDUE
        faces.mark["x"][which, s] = radius * np.cos(angle)
        faces.mark["y"][which, s] = radius * np.sin(angle)
        faces.mark["size"][which, s] = 2.0 + rng.gamma(2.0, 2.5, n)
