"""The tables a fleet arrives in, declared once: plant, history, people and travel.

From these declarations come the DuckDB tables, the intake checks, the templates, the data package
descriptor and the table reference. Units stand in the names; times are UTC; attenuation is positive dB,
reflectance negative dB, optical return loss positive dB. Empty means unknown, never zero.
"""

from __future__ import annotations

from planner.tables.schema import Column, Rule, Table

FAMILIES = ("LC", "SC", "FC", "ST", "MU", "E2000", "MPO")
POLISHES = ("PC", "UPC", "APC")
MODES = ("SM", "MM")
SINGLE_MODE_FIBRES = ("OS1", "OS2", "G.652.B", "G.652.D", "G.655", "G.657.A1", "G.657.A2", "G.657.B3")
MULTIMODE_FIBRES = ("OM1", "OM2", "OM3", "OM4", "OM5")
FIBRE_TYPES = SINGLE_MODE_FIBRES + MULTIMODE_FIBRES
SITE_KINDS = (
    "central_office",
    "headend",
    "data_hall",
    "hut",
    "cabinet",
    "closure",
    "tower",
    "customer_premises",
)
HOUSING_KINDS = ("equipment", "panel", "closure", "splitter", "outlet", "test_set")
PORT_ROLES = ("equipment", "patch", "splitter_input", "splitter_output", "outlet", "test")
CABLE_KINDS = ("patch_cord", "pigtail", "trunk", "feeder", "distribution", "drop", "launch_cord")
WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
FINDINGS = ("clean", "particle", "oil_film", "moisture", "residue", "scratch", "pit", "chip", "crack")
DIRT_FINDINGS = ("particle", "oil_film", "moisture", "residue")
DAMAGE_FINDINGS = ("scratch", "pit", "chip", "crack")
CLEANING_METHODS = ("dry_pen", "dry_cassette", "dry_stick", "dry_wipe", "wet_dry_wipe", "wet_dry_stick")
CAUSES_FOUND = (
    "contamination",
    "damaged_end_face",
    "bend",
    "fibre_break",
    "splice",
    "transceiver",
    "no_fault_found",
    "other",
)
ACTIONS_TAKEN = (
    "cleaned",
    "replaced_cord",
    "replaced_connector",
    "repaired_fibre",
    "replaced_transceiver",
    "none",
)
KIT = (
    "tip_2.5_upc",
    "tip_2.5_apc",
    "tip_1.25_upc",
    "tip_1.25_apc",
    "tip_mpo_upc",
    "tip_mpo_apc",
    "pen_2.5",
    "pen_1.25",
    "pen_mpo",
    "cassette",
    "sticks_2.5",
    "sticks_1.25",
    "wipes",
    "solvent",
)


def _id(name: str, meaning: str, references: str = "", required: bool = True) -> Column:
    return Column(name, "text", meaning, required=required, references=references)


def _ref(name: str, references: str, meaning: str, required: bool = False) -> Column:
    return Column(name, "text", meaning, required=required, references=references)


def _choice(name: str, allowed: tuple[str, ...], meaning: str, required: bool = False) -> Column:
    return Column(name, "text", meaning, required=required, allowed=allowed)


def _number(
    name: str,
    unit: str,
    meaning: str,
    required: bool = False,
    low: float | None = None,
    high: float | None = None,
) -> Column:
    return Column(name, "number", meaning, required=required, unit=unit, low=low, high=high)


def _count(name: str, meaning: str, required: bool = False, low: float | None = 1, high: float | None = None) -> Column:
    return Column(name, "integer", meaning, required=required, low=low, high=high)


def _at(name: str, meaning: str, required: bool = False) -> Column:
    return Column(name, "timestamp", meaning, required=required, unit="UTC")


def _on(name: str, meaning: str) -> Column:
    return Column(name, "date", meaning)


def _time(name: str, meaning: str, required: bool = False) -> Column:
    return Column(name, "time", meaning, required=required, unit="HH:MM local")


def _text(name: str, meaning: str) -> Column:
    return Column(name, "text", meaning)


def _flag(name: str, meaning: str) -> Column:
    return Column(name, "boolean", meaning)


def _list(name: str, meaning: str, allowed: tuple[str, ...] = ()) -> Column:
    return Column(name, "list", meaning, allowed=allowed)


FACE = _choice("face", ("front", "rear"), "side of the adapter", required=True)
DIRECTION = _choice("direction", ("a_to_z", "z_to_a"), "direction of light", required=True)

SITES = Table(
    name="sites",
    meaning="A place a crew can drive to.",
    required=True,
    key=("site_id",),
    columns=(
        _id("site_id", "key of the site"),
        _text("name", "name people use"),
        _choice("kind", SITE_KINDS, "what kind of place", required=True),
        _text("region", "district or region"),
        _number("latitude", "deg WGS84", "latitude", required=True, low=-90, high=90),
        _number("longitude", "deg WGS84", "longitude", required=True, low=-180, high=180),
        _choice("environment", ("controlled", "indoor", "outdoor"), "air the end faces live in"),
        _time("access_open", "access opens"),
        _time("access_close", "access closes"),
        _list("access_days", "days with access", WEEKDAYS),
        _text("timezone", "IANA time zone of the site"),
        _number("entry_min", "minutes", "minutes lost getting in and out", low=0),
        _text("access_note", "what to know before going"),
    ),
    rules=(
        Rule(
            "unknown-time-zone",
            "timezone must be an IANA time zone such as Europe/Lisbon, or be left empty",
            # the engine also knows three-letter names and SystemV zones, which are no IANA zones
            condition=(
                "r.timezone IS NULL OR (r.timezone IN (SELECT name FROM pg_timezone_names()) "
                "AND NOT regexp_full_match(r.timezone, 'SystemV/.*|[A-Z]{3}') "
                "OR r.timezone IN ('UTC', 'GMT', 'UCT', 'CET', 'EET', 'EST', 'HST', 'MET', 'MST', 'PRC', 'ROC', "
                "'ROK', 'WET'))"
            ),
        ),
    ),
)

HOUSINGS = Table(
    name="housings",
    meaning="What ports sit in.",
    required=True,
    key=("housing_id",),
    columns=(
        _id("housing_id", "key of the housing"),
        _ref("site_id", "sites.site_id", "site it stands in; empty only for a test set"),
        _choice("kind", HOUSING_KINDS, "what kind of housing", required=True),
        _text("name", "name people use"),
        _text("rack", "rack or frame"),
        _text("rack_unit", "position in the rack"),
        _on("installed_on", "day it was installed"),
    ),
    rules=(
        Rule(
            "site-missing",
            "site_id may be empty only for a test_set",
            condition="r.site_id IS NOT NULL OR r.kind = 'test_set'",
        ),
    ),
)

PORTS = Table(
    name="ports",
    meaning="One adapter or equipment receptacle; a duplex receptacle is two ports.",
    required=True,
    key=("port_id",),
    columns=(
        _id("port_id", "key of the port"),
        _ref("housing_id", "housings.housing_id", "housing it sits in", required=True),
        _text("label", "marking on the housing"),
        _choice("family", FAMILIES, "connector family", required=True),
        _choice("polish", POLISHES, "end-face polish", required=True),
        _choice("mode", MODES, "single-mode or multimode", required=True),
        _count("fibre_count", "fibres; 1 except MPO", required=True, high=72),
        _choice("role", PORT_ROLES, "what the port is for", required=True),
    ),
    rules=(
        Rule(
            "fibres-of-family",
            "fibre_count must be 1 unless family is MPO",
            condition="r.fibre_count = 1 OR r.family = 'MPO'",
        ),
    ),
)

CABLES = Table(
    name="cables",
    meaning="Cords, trunks, pigtails and outside plant.",
    required=True,
    key=("cable_id",),
    columns=(
        _id("cable_id", "key of the cable"),
        _choice("kind", CABLE_KINDS, "what kind of cable", required=True),
        _choice("fibre_type", FIBRE_TYPES, "fibre type", required=True),
        _number("length_m", "m", "length", required=True, low=0),
        _count("fibre_count", "fibres in the cable", required=True),
        _text("batch", "production batch"),
        _on("installed_on", "day it was installed"),
        _choice(
            "polarity",
            ("A", "B", "C"),
            "array polarity method: A straight, B reversed, C pairs flipped; empty is straight "
            "(an addition of ours to the intake tables)",
        ),
    ),
)

CONNECTORS = Table(
    name="connectors",
    meaning="One end face: the thing that gets dirty, inspected, cleaned and ranked.",
    required=True,
    key=("connector_id",),
    columns=(
        _id("connector_id", "key of the end face"),
        _ref("cable_id", "cables.cable_id", "cable it terminates"),
        _choice("cable_end", ("A", "B"), "which end of the cable"),
        _count("first_fibre", "first cable fibre it carries"),
        _count("fibre_count", "fibres it carries", required=True, high=72),
        _ref("fixed_port_id", "ports.port_id", "port it is built into"),
        _choice("family", FAMILIES, "connector family", required=True),
        _choice("polish", POLISHES, "end-face polish", required=True),
        _choice("grade", ("A", "B", "C", "D"), "random-mate attenuation grade"),
        _on("installed_on", "day it was installed"),
    ),
    rules=(
        Rule(
            "cable-or-port",
            "exactly one of cable_id and fixed_port_id must be given",
            condition="(r.cable_id IS NULL) <> (r.fixed_port_id IS NULL)",
        ),
        Rule(
            "cable-end-missing",
            "a connector on a cable must say which end (cable_end)",
            condition="r.cable_id IS NULL OR r.cable_end IS NOT NULL",
        ),
        Rule(
            "fibres-beyond-cable",
            "first_fibre + fibre_count - 1 must not exceed the cable's fibre_count",
            condition=(
                "r.cable_id IS NULL OR NOT EXISTS (SELECT 1 FROM cables c WHERE c.cable_id = r.cable_id "
                "AND coalesce(r.first_fibre, 1) + r.fibre_count - 1 > c.fibre_count)"
            ),
            needs=("cables",),
        ),
    ),
)

PATCHING = Table(
    name="patching",
    meaning="What is plugged in where at the start of the history.",
    required=True,
    key=("connector_id",),
    columns=(
        _ref("connector_id", "connectors.connector_id", "the connector", required=True),
        _ref("port_id", "ports.port_id", "the port it is plugged into", required=True),
        FACE,
        _at("since_at", "plugged in since"),
    ),
    rules=(
        Rule(
            "one-connector-per-port-face",
            "at most one connector per port and face",
            unique=("port_id", "face"),
        ),
        Rule(
            "fixed-connector-patched",
            "a connector built into a port cannot be plugged in anywhere",
            condition=(
                "NOT EXISTS (SELECT 1 FROM connectors c WHERE c.connector_id = r.connector_id "
                "AND c.fixed_port_id IS NOT NULL)"
            ),
            needs=("connectors",),
        ),
    ),
)

SPLICES = Table(
    name="splices",
    meaning="One spliced fibre.",
    key=("splice_id",),
    columns=(
        _id("splice_id", "key of the splice"),
        _ref("site_id", "sites.site_id", "where it lies"),
        _ref("cable_a_id", "cables.cable_id", "first cable", required=True),
        _choice("end_a", ("A", "B"), "its end", required=True),
        _count("fibre_a", "its fibre", required=True),
        _ref("cable_b_id", "cables.cable_id", "second cable", required=True),
        _choice("end_b", ("A", "B"), "its end", required=True),
        _count("fibre_b", "its fibre", required=True),
        _choice("kind", ("fusion", "mechanical"), "how it was made"),
        _number("loss_db", "dB", "loss as built"),
        _on("spliced_on", "day it was made"),
    ),
    rules=(
        Rule(
            "fibre-a-spliced-twice",
            "a fibre end is spliced at most once",
            unique=("cable_a_id", "end_a", "fibre_a"),
        ),
        Rule(
            "fibre-b-spliced-twice",
            "a fibre end is spliced at most once",
            unique=("cable_b_id", "end_b", "fibre_b"),
        ),
    ),
)

SPLITTER_LEGS = Table(
    name="splitter_legs",
    meaning="One leg of an optical splitter: 0 is the common leg, 1..n the branches.",
    key=("splitter_id", "leg"),
    columns=(
        _id("splitter_id", "the splitter"),
        _count("leg", "leg number, 0 = common", required=True, low=0),
        _ref("port_id", "ports.port_id", "port of that leg", required=True),
        _count("ratio", "branches per common, e.g. 32"),
    ),
    rules=(Rule("port-on-two-legs", "a port belongs to at most one leg", unique=("port_id",)),),
)

CIRCUITS = Table(
    name="circuits",
    meaning="What customers ride on.",
    required=True,
    key=("circuit_id",),
    columns=(
        _id("circuit_id", "key of the circuit"),
        _text("name", "name people use"),
        _ref("a_port_id", "ports.port_id", "A end", required=True),
        _ref("z_port_id", "ports.port_id", "Z end", required=True),
        _count("fibre", "1-based fibre of an MPO port, else 1", high=72),
        _text("application", "e.g. 10GBASE-LR, GPON-B+"),
        _number("wavelength_nm", "nm", "working wavelength", required=True, low=600, high=1700),
        _number("max_loss_db", "dB", "channel loss allowed, else from the application", low=0),
        _count("customers", "customers served", low=0),
        _count("priority", "1 (highest) to 5", high=5),
        _ref("protected_by", "circuits.circuit_id", "circuit that takes over"),
        _on("in_service_on", "day it went into service"),
    ),
)

MATING_EVENTS = Table(
    name="mating_events",
    meaning="One mate or demate of a connector at a port face.",
    key=("event_id",),
    time_column="at",
    columns=(
        _id("event_id", "key of the event"),
        _at("at", "when", required=True),
        _ref("port_id", "ports.port_id", "port", required=True),
        FACE,
        _ref("connector_id", "connectors.connector_id", "connector", required=True),
        _choice("action", ("mate", "demate"), "what was done", required=True),
        _flag("inspected_first", "was the end face inspected before mating"),
        _flag("cleaned_first", "was the end face cleaned before mating"),
        _text("technician_id", "who did it"),
        _text("work_order_id", "under which order"),
    ),
)

INSPECTIONS = Table(
    name="inspections",
    meaning="One look at an end face.",
    key=("inspection_id",),
    time_column="at",
    columns=(
        _id("inspection_id", "key of the inspection"),
        _at("at", "when", required=True),
        _ref("connector_id", "connectors.connector_id", "end face", required=True),
        _choice("result", ("pass", "fail"), "verdict", required=True),
        _choice("finding", FINDINGS, "what was seen"),
        _choice("worst_zone", ("A", "B", "C", "D"), "innermost zone with a mark"),
        _choice("stage", ("routine", "before_cleaning", "after_cleaning", "incoming"), "why it was looked at"),
        _text("image_file", "picture"),
        _text("technician_id", "who looked"),
        _ref("test_set_id", "housings.housing_id", "test set used"),
        _text("work_order_id", "under which order"),
    ),
)

END_FACE_DEFECTS = Table(
    name="end_face_defects",
    meaning="One measured mark of an inspection.",
    columns=(
        _ref("inspection_id", "inspections.inspection_id", "the inspection", required=True),
        _count("fibre", "1-based fibre", high=72),
        _choice("kind", ("scratch", "defect"), "kind of mark", required=True),
        _number("x_um", "um", "from the core centre", required=True),
        _number("y_um", "um", "from the core centre", required=True),
        _number("width_um", "um", "scratch width, or defect diameter", required=True, low=0),
        _number("length_um", "um", "scratch length", low=0),
    ),
)

CLEANINGS = Table(
    name="cleanings",
    meaning="One cleaning of an end face.",
    key=("cleaning_id",),
    time_column="at",
    columns=(
        _id("cleaning_id", "key of the cleaning"),
        _at("at", "when", required=True),
        _ref("connector_id", "connectors.connector_id", "end face", required=True),
        _choice("method", CLEANING_METHODS, "how", required=True),
        _text("technician_id", "who cleaned"),
        _text("work_order_id", "under which order"),
    ),
)

LOSS_TESTS = Table(
    name="loss_tests",
    meaning="Light source and power meter, end to end.",
    key=("test_id",),
    time_column="at",
    columns=(
        _id("test_id", "key of the test"),
        _at("at", "when", required=True),
        _ref("circuit_id", "circuits.circuit_id", "circuit", required=True),
        _number("wavelength_nm", "nm", "wavelength", required=True, low=600, high=1700),
        _choice("direction", ("a_to_z", "z_to_a", "both"), "direction of light"),
        _number("loss_db", "dB", "insertion loss, positive", required=True, low=-10, high=100),
        _number("orl_db", "dB", "optical return loss, positive", low=0, high=100),
        _count("reference_cords", "cords in the reference", high=3),
        _text("technician_id", "who tested"),
        _text("test_set_id", "test set used"),
    ),
)

OTDR_EVENTS = Table(
    name="otdr_events",
    meaning="One event of a reflectometer trace.",
    key=("trace_id", "event_no"),
    time_column="at",
    columns=(
        _id("trace_id", "the trace"),
        _count("event_no", "number of the event", required=True, low=0),
        _at("at", "when", required=True),
        _ref("circuit_id", "circuits.circuit_id", "circuit", required=True),
        DIRECTION,
        _number("wavelength_nm", "nm", "wavelength", required=True, low=600, high=1700),
        _number("distance_m", "m", "optical distance from the launch", required=True),
        _number("loss_db", "dB", "event loss; negative is a gainer", low=-20, high=60),
        _number("reflectance_db", "dB", "reflectance, negative", low=-100, high=0),
        _choice("kind", ("reflective", "non_reflective", "end_of_fibre"), "kind of event"),
    ),
)

POWER_READINGS = Table(
    name="power_readings",
    meaning="What the transceiver in an equipment port reports.",
    key=("port_id", "at"),
    time_column="at",
    columns=(
        _at("at", "when", required=True),
        _ref("port_id", "ports.port_id", "equipment port", required=True),
        _number("tx_dbm", "dBm", "launched power", low=-60, high=40),
        _number("rx_dbm", "dBm", "received power", low=-60, high=40),
        _number("pre_fec_ber", "-", "bit error ratio before correction", low=0, high=1),
    ),
)

WORK_ORDERS = Table(
    name="work_orders",
    meaning="One piece of field work and what it found.",
    key=("work_order_id",),
    time_column="opened_at",
    columns=(
        _id("work_order_id", "key of the order"),
        _at("opened_at", "opened", required=True),
        _at("closed_at", "closed"),
        _ref("site_id", "sites.site_id", "site"),
        _text("circuit_id", "circuit it was about"),
        _text("connector_id", "end face it was about"),
        _choice("reason", ("alarm", "complaint", "routine", "install", "change"), "why it was opened"),
        _choice("cause_found", CAUSES_FOUND, "cause as closed"),
        _choice("action_taken", ACTIONS_TAKEN, "what was done"),
        _text("crew_id", "crew"),
        _number("cost", "money", "cost", low=0),
    ),
    rules=(
        Rule(
            "closed-before-opened",
            "closed_at must not lie before opened_at",
            condition="r.closed_at IS NULL OR r.closed_at >= r.opened_at",
        ),
    ),
)

TECHNICIANS = Table(
    name="technicians",
    meaning="Who works in which crew.",
    key=("technician_id",),
    columns=(
        _id("technician_id", "key of the technician"),
        _ref("crew_id", "crews.crew_id", "crew"),
    ),
)

CREWS = Table(
    name="crews",
    meaning="A vehicle with people, tools and a depot.",
    key=("crew_id",),
    columns=(
        _id("crew_id", "key of the crew"),
        _ref("depot_site_id", "sites.site_id", "where the day starts and ends", required=True),
        _time("shift_start", "shift starts", required=True),
        _time("shift_end", "shift ends", required=True),
        _list("work_days", "days worked", WEEKDAYS),
        _number("max_overtime_min", "minutes", "overtime allowed a day", low=0),
        _number("cost_per_hour", "money/h", "cost of a crew hour", low=0),
        _number("cost_per_km", "money/km", "cost of a kilometre", low=0),
        _list("skills", "what the crew is qualified for"),
        _list("kit", "tips, cleaners and consumables on the vehicle", KIT),
    ),
)

TRAVEL_TIMES = Table(
    name="travel_times",
    meaning="Driving time from one site to another; absent pairs are estimated.",
    key=("from_site_id", "to_site_id"),
    columns=(
        _ref("from_site_id", "sites.site_id", "from", required=True),
        _ref("to_site_id", "sites.site_id", "to", required=True),
        _number("minutes", "minutes", "driving time", required=True, low=0),
        _number("km", "km", "road distance", low=0),
    ),
)

INTAKE_TABLES: tuple[Table, ...] = (
    SITES,
    HOUSINGS,
    PORTS,
    CABLES,
    CONNECTORS,
    PATCHING,
    SPLICES,
    SPLITTER_LEGS,
    CIRCUITS,
    MATING_EVENTS,
    INSPECTIONS,
    END_FACE_DEFECTS,
    CLEANINGS,
    LOSS_TESTS,
    OTDR_EVENTS,
    POWER_READINGS,
    WORK_ORDERS,
    CREWS,
    TECHNICIANS,
    TRAVEL_TIMES,
)
