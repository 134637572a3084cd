"""The invented plant: consistent tables of any size, and paths that hang together."""

from __future__ import annotations

import numpy as np
import pytest

from planner.synthetic.plant import (
    ADAPTER,
    CABLE,
    CORD_AT,
    FAMILY,
    FRONT,
    HOUSING,
    POLISH,
    REAR,
    SPLICE,
    SPLITTER,
    Plant,
    build_plant,
    circuit_of_element,
)

START = np.datetime64("2030-01-01")


@pytest.fixture(scope="module")
def plant() -> Plant:
    """A plant of about 3,300 end faces."""
    return build_plant(3300, np.random.default_rng(5), START)


@pytest.mark.parametrize("wanted", [1000, 3300, 20_000])
def test_plant_has_about_the_wanted_size(wanted: int) -> None:
    """The number of end faces comes within a fifth of the wish."""
    made = build_plant(wanted, np.random.default_rng(1), START).connectors["cable"].shape[0]
    assert 0.8 * wanted < made < 1.2 * wanted


def test_region_has_all_kinds_of_site_and_housing(plant: Plant) -> None:
    """One region holds about sixty sites, and panels, equipment, splitters, outlets and test sets."""
    assert plant.sites["kind"].shape[0] == 60
    assert np.unique(plant.sites["kind"]).shape[0] == 8
    kinds = set(np.unique(plant.housings["kind"]).tolist())
    assert {HOUSING[k] for k in ("equipment", "panel", "splitter", "outlet", "test_set")} <= kinds


def test_every_connector_has_a_cable_or_a_port(plant: Plant) -> None:
    """Exactly one of cable and fixed port is given, and fibres fit into their cable."""
    c = plant.connectors
    assert np.all((c["cable"] >= 0) != (c["fixed_port"] >= 0))
    on = c["cable"] >= 0
    assert np.all(c["first_fibre"][on] + c["fibres"][on] - 1 <= plant.cables["fibres"][c["cable"][on]])


def test_mated_faces_fit(plant: Plant) -> None:
    """Front and rear connectors have the port's family, polish and fibre count."""
    for of_port in (plant.front_of, plant.rear_of):
        port = np.nonzero(of_port >= 0)[0]
        for column in ("family", "polish", "fibres"):
            assert np.array_equal(plant.connectors[column][of_port[port]], plant.ports[column][port])


def test_no_connector_is_plugged_twice(plant: Plant) -> None:
    """Each connector sits in at most one port face."""
    used = np.concatenate([plant.front_of[plant.front_of >= 0], plant.rear_of[plant.rear_of >= 0]])
    assert np.unique(used).shape[0] == used.shape[0]


def test_paths_start_and_end_at_the_circuit_ports(plant: Plant) -> None:
    """The first and last elements of a path are the faces built into the circuit's two ports."""
    first, last = plant.circuit_start[:-1], plant.circuit_start[1:] - 1
    assert np.array_equal(plant.element_ref[first], plant.circuits["a_port"])
    assert np.array_equal(plant.element_ref[last], plant.circuits["z_port"])
    assert np.all(plant.element_kind[first] == REAR)
    assert np.all(plant.element_kind[last] == REAR)


def test_neighbouring_elements_touch(plant: Plant) -> None:
    """Along every path a cable ends in the connector or splice that comes next."""
    kind, ref = plant.element_kind, plant.element_ref
    circuit = circuit_of_element(plant)
    cable_of = plant.connectors["cable"]
    for i in range(kind.shape[0] - 1):
        if circuit[i] != circuit[i + 1] or kind[i] == ADAPTER or kind[i + 1] == ADAPTER:
            continue
        cables = []
        for k, r in ((kind[i], ref[i]), (kind[i + 1], ref[i + 1])):
            if k == CABLE:
                cables.append({int(r)})
            elif k in (FRONT, CORD_AT):
                cables.append({int(cable_of[plant.front_of[r]])})
            elif k == REAR:
                cables.append({int(cable_of[plant.rear_of[r]])})
            elif k == SPLICE:
                cables.append({int(plant.splices["cable_a"][r]), int(plant.splices["cable_b"][r])})
        if SPLITTER in (kind[i], kind[i + 1]):
            continue
        assert cables[0] & cables[1], (i, kind[i], kind[i + 1])


def test_families_polishes_and_polarities_are_mixed(plant: Plant) -> None:
    """The plant holds LC, SC and MPO, APC on passive trees, and array polarities A, B and C."""
    assert {FAMILY[k] for k in ("LC", "SC", "MPO")} <= set(plant.connectors["family"].tolist())
    tree = plant.circuits["kind"] == 2
    assert np.all(plant.ports["polish"][plant.circuits["z_port"][tree]] == POLISH["APC"])
    assert {1, 2, 3} <= set(plant.cables["polarity"].tolist())


def test_protection_is_mutual_and_on_other_cables(plant: Plant) -> None:
    """A protecting circuit is protected by the one it protects."""
    by = plant.circuits["protected_by"]
    some = np.nonzero(by >= 0)[0]
    assert some.shape[0] > 0
    assert np.array_equal(by[by[some]], some)


def test_same_generator_state_same_plant() -> None:
    """The plant depends on nothing but its arguments."""
    one = build_plant(1000, np.random.default_rng(3), START)
    other = build_plant(1000, np.random.default_rng(3), START)
    for name in ("sites", "ports", "cables", "connectors", "circuits"):
        for column, values in getattr(one, name).items():
            assert np.array_equal(values, getattr(other, name)[column]), (name, column)
