"""The tables the planner writes: what was derived, traced, inferred, ranked and planned.

Rows carry the ids they rest on, so that a figure on screen can be followed back to its readings.
Each stage of the pipeline replaces its own tables whole, in one transaction, and notes in `stage_runs`
which state of the data they rest on.
"""

from __future__ import annotations

from planner.tables.schema import Column, Table

CAUSES = (
    "contamination",
    "damaged_end_face",
    "bend",
    "splice",
    "fibre_break",
    "transceiver",
    "remating_offset",
    "record_error",
    "nothing",
)


def _text(name: str, meaning: str) -> Column:
    return Column(name, "text", meaning)


def _number(name: str, unit: str, meaning: str) -> Column:
    return Column(name, "number", meaning, unit=unit)


def _count(name: str, meaning: str) -> Column:
    return Column(name, "integer", meaning)


def _at(name: str, meaning: str) -> Column:
    return Column(name, "timestamp", meaning, unit="UTC")


def _flag(name: str, meaning: str) -> Column:
    return Column(name, "boolean", meaning)


def _list(name: str, meaning: str) -> Column:
    return Column(name, "list", meaning)


def _probability(name: str, meaning: str) -> Column:
    return Column(name, "number", meaning, low=0, high=1)


CONNECTOR_STATE = Table(
    name="connector_state",
    kind="result",
    meaning="Latest known state of each end face: where it is, how often touched, when cleaned and seen.",
    key=("connector_id",),
    columns=(
        _text("connector_id", "end face"),
        _text("port_id", "port it is in now; empty if in none"),
        _text("face", "front or rear of that port; fixed: built in; assumed: lost by the records, placed by a path"),
        _text("housing_id", "housing of that port"),
        _text("site_id", "site of that housing"),
        _text("environment", "air at that site"),
        _text("role", "role of that port"),
        _text("family", "connector family"),
        _text("polish", "polish"),
        _text("batch", "production batch of its cable"),
        _flag("in_service", "in a port that is not a test set's"),
        _text("partner_id", "end face it is mated with now; empty if none"),
        _count("mates", "matings recorded"),
        _count("mates_since_clean", "matings since the last cleaning, or all of them"),
        _count("mates_since_inspection", "matings since the last inspection, or all of them"),
        _at("last_mated_at", "last mating"),
        _at("last_cleaned_at", "last cleaning"),
        _at("last_inspected_at", "last inspection"),
        _text("last_result", "verdict of the last inspection"),
        _text("last_finding", "what the last inspection saw"),
        _at("known_since_at", "last inspection, else start of the history"),
    ),
)

DOUBTFUL_MEASUREMENTS = Table(
    name="doubtful_measurements",
    kind="result",
    meaning="Loss tests and traces made through a test cord that reads too high; they are left out of the analysis.",
    key=("kind", "measurement_id"),
    columns=(
        _text("kind", "loss_test or trace"),
        _text("measurement_id", "test or trace"),
        _text("circuit_id", "circuit"),
        _at("measured_at", "when"),
        _text("connector_id", "end face of the test cord"),
        _number("excess_db", "dB", "by how much its tests lie above the others of their series, median"),
    ),
)

SERIES_DRIFT = Table(
    name="series_drift",
    kind="result",
    meaning="Change of each series of readings against its own baseline; positive is worse.",
    key=("series_id",),
    columns=(
        _text("series_id", "kind, port or circuit, direction, wavelength in one key"),
        _text("kind", "rx_power, tx_power, loss_test or orl"),
        _text("port_id", "equipment port, for power"),
        _text("circuit_id", "circuit; empty where the port carries none"),
        _text("direction", "a_to_z or z_to_a, of the light"),
        _number("wavelength_nm", "nm", "wavelength"),
        _count("readings", "number of readings"),
        _at("first_at", "first reading"),
        _at("last_at", "last reading"),
        _number("baseline", "dB or dBm", "median of the first readings"),
        _number("latest", "dB or dBm", "median of the latest readings"),
        _number("drift_db", "dB", "latest against baseline, positive is worse"),
        _number("noise_db", "dB", "spread of the readings about their running median"),
        _number("step_db", "dB", "largest step, positive is worse; empty if none is significant"),
        _number("step_sd_db", "dB", "uncertainty of the step"),
        _at("step_at", "day of that step"),
        _number("slope_db_per_year", "dB/year", "robust trend, positive is worse"),
        _text("shape", "steady, step, drift or not measurable"),
    ),
)

CIRCUIT_PATHS = Table(
    name="circuit_paths",
    kind="result",
    meaning="One row per element of each circuit's path, from A to Z.",
    key=("circuit_id", "position"),
    columns=(
        _text("circuit_id", "circuit"),
        _count("position", "1-based position along the path"),
        _text("element_kind", "connector, adapter, cable, splice or splitter"),
        _text("element_id", "id of the element; for an adapter its port_id"),
        _text("connector_id", "end face; empty for everything but connectors"),
        _text("port_id", "port of a connector or adapter"),
        _text("site_id", "site of the element; empty for cables"),
        _count("fibre", "fibre position within the element"),
        _number("length_m", "m", "cable length; empty otherwise"),
        _text("detail", "cable fibre type, splice kind, splitter leg and ratio, adapter label"),
    ),
)

CIRCUIT_STATUS = Table(
    name="circuit_status",
    kind="result",
    meaning="Whether each circuit could be traced, and its make-up.",
    key=("circuit_id",),
    columns=(
        _text("circuit_id", "circuit"),
        _flag("traced", "path is complete from A to Z"),
        _text("reason", "why it is not"),
        _count("connectors", "end faces on the path"),
        _count("mated_pairs", "mated pairs on the path"),
        _count("splices", "splices on the path"),
        _count("splitters", "splitters on the path"),
        _count("sites", "sites touched"),
        _number("length_m", "m", "cable length"),
        _text("a_site_id", "site of the A end"),
        _text("z_site_id", "site of the Z end"),
    ),
)

AUDIT_FINDINGS = Table(
    name="audit_findings",
    kind="result",
    meaning="One contradiction or gap in the records.",
    key=("finding_no",),
    columns=(
        _count("finding_no", "number"),
        _text("code", "kind of finding"),
        _text("severity", "error or warning"),
        _text("place_kind", "circuit, port, connector, cable, splice, splitter or event"),
        _text("place_id", "its id"),
        _text("site_id", "site"),
        _list("circuits", "circuits concerned"),
        _text("text", "what contradicts what"),
        _text("assumed", "what the planner assumed meanwhile"),
        _text("check", "what to check in the field"),
        _text("repair", "one repair that would explain this and other findings"),
        _number("plausibility", "-", "rank of that repair, 1 is best"),
    ),
)

CIRCUIT_BUDGET = Table(
    name="circuit_budget",
    kind="result",
    meaning="Expected against measured loss of each circuit and wavelength.",
    key=("circuit_id", "wavelength_nm"),
    columns=(
        _text("circuit_id", "circuit"),
        _number("wavelength_nm", "nm", "wavelength"),
        _number(
            "maximum_db", "dB", "sum of the limits: of the standards, of planning ranges for splitters, or of one's own"
        ),
        _number("typical_db", "dB", "expected loss"),
        _number("typical_sd_db", "dB", "spread of the expected loss"),
        _number("as_built_db", "dB", "acceptance test; empty if none"),
        _number("measured_db", "dB", "latest test, or from launched and received power"),
        _text("measured_from", "loss_test, power or not assessed"),
        _number("allowed_db", "dB", "channel loss allowed"),
        _text("allowed_from", "circuit, application with its source, or not assessed"),
        _number("margin_db", "dB", "allowed less measured, else less typical"),
        _number("return_loss_db", "dB", "expected optical return loss"),
        _at("measured_at", "when it was measured"),
        _number("measured_sd_db", "dB", "uncertainty of the measured loss, one standard deviation"),
        _number("hidden_db", "dB", "typical loss of the end connections that the test's reference hides"),
        _number("excess_db", "dB", "measured less what should have been measured (typical less hidden)"),
        _number(
            "fleet_offset_db",
            "dB",
            "median of as built less expected over the circuits of the same application and wavelength; "
            "empty with fewer than ten",
        ),
        _number("power_margin_db", "dB", "light at the receiver above the least the application asks"),
        _text("power_margin_from", "power (reported), application (typical loss) or not assessed"),
        _flag("confirmed", "every value used is confirmed against its source"),
        _text("note", "unconfirmed values and assumptions"),
    ),
)

BUDGET_ELEMENTS = Table(
    name="budget_elements",
    kind="result",
    meaning="What each element of a circuit should lose.",
    key=("circuit_id", "wavelength_nm", "position"),
    columns=(
        _text("circuit_id", "circuit"),
        _number("wavelength_nm", "nm", "wavelength"),
        _count("position", "position of the element (of the first of a mated pair) in circuit_paths"),
        _text("element_kind", "mated_pair, cable, splice or splitter"),
        _text("element_id", "element"),
        _number("maximum_db", "dB", "limit, see source"),
        _number("typical_db", "dB", "expected loss"),
        _number("typical_sd_db", "dB", "spread"),
        _number("as_built_db", "dB", "as built, where recorded"),
        _text("source", "where the values come from"),
    ),
)

ELEMENT_READINGS = Table(
    name="element_readings",
    kind="result",
    meaning="What the newest reflectometer traces show on the elements of each path.",
    key=("circuit_id", "wavelength_nm", "position", "place_m"),
    columns=(
        _text("circuit_id", "circuit"),
        _number("wavelength_nm", "nm", "wavelength"),
        _count("position", "position in circuit_paths of the first element of the place"),
        _text("element_kind", "mated_pair, splice, splitter or cable (no joint is recorded there)"),
        _text("element_id", "nearest element; the port of a mated pair"),
        _text("same_as", "elements within the dead zone, which the trace cannot tell apart from it; separated by ;"),
        _number("place_m", "m", "distance from the A end along the recorded path"),
        _number("loss_db", "dB", "mean of both directions, in which gainers cancel, else of the one there is"),
        _number("loss_a_to_z_db", "dB", "as seen from A; negative is a gainer"),
        _number("loss_z_to_a_db", "dB", "as seen from Z; negative is a gainer"),
        _flag("is_two_way", "measured in both directions"),
        _flag("is_gainer", "negative in one direction"),
        _number("reflectance_db", "dB", "largest reflectance of its events"),
        _count("events", "events that lie there"),
        _at("measured_at", "newest trace"),
    ),
)

HISTORY_BELIEFS = Table(
    name="history_beliefs",
    kind="result",
    meaning="What its history says of each end face, light left out.",
    key=("connector_id",),
    columns=(
        _text("connector_id", "end face"),
        _probability("p_contaminated", "probability that it is contaminated"),
        _probability("p_damaged", "probability that it is damaged"),
        _probability("p_not_clean", "probability that it is contaminated or damaged"),
        _number("days_since_good_look", "days", "days since the last passed inspection; empty if none"),
        _count("matings_since_good_look", "matings since then, or all"),
        _text("likely_source", "where the dirt most probably came from, in words"),
        _text("source_id", "end face it came from; empty if from the air or unknown"),
        _text("basis", "learned from this fleet, or priors"),
    ),
)

CONNECTOR_HEALTH = Table(
    name="connector_health",
    kind="result",
    meaning="What is believed of each end face now, from its history and from the light on its circuits.",
    key=("connector_id",),
    columns=(
        _text("connector_id", "end face"),
        _probability("p_contaminated", "probability that it is contaminated"),
        _probability("p_damaged", "probability that it is damaged"),
        _probability("p_not_clean", "probability that it is contaminated or damaged"),
        _probability("p_costs_light", "probability that it costs one of its circuits light now; empty if on none"),
        _number("light_db", "dB", "how much it then costs; empty if on no circuit"),
        _number("light_decibans", "deciban", "what light added to the log-odds of being not clean"),
        _number("days_since_good_look", "days", "days since the last passed inspection; empty if none"),
        _count("matings_since_good_look", "matings since then, or all"),
        _text("likely_source", "where the dirt most probably came from, in words"),
        _text("source_id", "end face it came from; empty if from the air or unknown"),
        _text("basis", "learned from this fleet, or priors"),
    ),
)

HEALTH_EVIDENCE = Table(
    name="health_evidence",
    kind="result",
    meaning="What in its history moved the belief about an end face; with `light_decibans` of `connector_health` "
    "the decibans add up to its log-odds of being not clean.",
    key=("connector_id", "line"),
    columns=(
        _text("connector_id", "end face"),
        _count("line", "line number"),
        _at("evidence_at", "when"),
        _text("text", "in words"),
        _number("decibans", "deciban", "10 log10 of the likelihood ratio; the first line is the prior"),
    ),
)

DIRT_SOURCES = Table(
    name="dirt_sources",
    kind="result",
    meaning="Who may have contaminated whom.",
    columns=(
        _text("source_id", "end face that was dirty"),
        _text("connector_id", "end face it met"),
        _at("met_at", "when they met"),
        _probability("probability", "that this meeting made it dirty and it still is"),
    ),
)

LEARNED_PARAMETERS = Table(
    name="learned_parameters",
    kind="result",
    meaning="What the fleet's own history says of exposure, transfer, cleaning and looking.",
    key=("parameter", "group_kind", "group_id"),
    columns=(
        _text("parameter", "name"),
        _text("group_kind", "fleet, environment, role, method, site, technician or test_set"),
        _text("group_id", "which"),
        _number("estimate", "-", "estimate"),
        _number("low", "-", "lower end of the 90 % interval"),
        _number("high", "-", "upper end of the 90 % interval"),
        _number("weight", "cases", "effective number of cases"),
        _flag("learned", "the data moved it away from its prior"),
        _text("text", "in words"),
    ),
)

FLEET_FIGURES = Table(
    name="fleet_figures",
    kind="result",
    meaning="The figures and the calibration that beliefs rest on, kept while what they were learned from stays.",
    key=("fingerprint",),
    columns=(
        _text("fingerprint", "of the events, the plant they name and the code they were learned with"),
        _at("until_at", "learned from the history up to then"),
        _text("document", "the figures by name and group, as JSON"),
    ),
)

_SUSPECT = (
    _text("circuit_id", "circuit"),
    Column("cause", "text", "cause", allowed=CAUSES),
    _text("element_id", "connector, cable, splice or port; empty for nothing"),
    _text("element_kind", "what the element is"),
)

DIAGNOSIS = Table(
    name="diagnosis",
    kind="result",
    meaning="Possible causes of each circuit's state; probabilities of one circuit sum to 1. None if nothing was read.",
    columns=(
        *_SUSPECT,
        _probability("probability", "posterior probability"),
        _text("evidence", "every source with its decibans, and their sum: its log-odds against nothing wrong"),
        _at("onset_at", "when it most probably began; empty if before the first reading or not known"),
        _number("size_db", "dB", "loss it costs now"),
        _text("same_as", "elements that the data cannot tell apart from this one"),
        _text("next_test", "what would tell most"),
    ),
)

UNREAD_CIRCUITS = Table(
    name="unread_circuits",
    kind="result",
    meaning="Circuits of which nothing was read: how common each cause is on such a path; sums to 1 per circuit.",
    columns=(
        *_SUSPECT,
        _probability("probability", "probability before any reading"),
    ),
)

DIAGNOSIS_EVIDENCE = Table(
    name="diagnosis_evidence",
    kind="result",
    meaning="Evidence for one answer against another; the decibans of a question add up to the log-odds it states.",
    key=("circuit_id", "line"),
    columns=(
        _text("circuit_id", "circuit"),
        _count("line", "line number"),
        _text("question", "what is compared: whether anything is wrong, where, which end face or fault"),
        _text("text", "in words"),
        _number("decibans", "deciban", "10 log10 of the likelihood ratio"),
    ),
)

FACE_BLAME = Table(
    name="face_blame",
    kind="result",
    meaning="Which end faces cost which circuits light now; rows from a probability of .002 on.",
    key=("connector_id", "circuit_id"),
    columns=(
        _text("connector_id", "end face"),
        _text("circuit_id", "circuit"),
        _probability("p_cause", "probability that this end face, dirty or damaged, costs the circuit light now"),
        _probability("p_dirt", "probability that its dirt does"),
        _probability("p_damage", "probability that its damage does"),
        _probability("shown_share", "share of that which explains a change or a level; the rest would be there unseen"),
        _number("shown_db", "dB", "loss it costs if it explains them"),
        _number("size_db", "dB", "loss it most probably costs"),
        _at("onset_at", "when it most probably began; empty if before the first reading or not known"),
    ),
)

RANKING = Table(
    name="ranking",
    kind="result",
    meaning="Every in-service end face with its scores; the parts of a score add up to it exactly.",
    key=("connector_id",),
    columns=(
        _text("connector_id", "end face"),
        _text("site_id", "site"),
        _text("port", "port it is in"),
        _list("circuits", "circuits it carries"),
        _probability("p_contaminated", "probability that it is contaminated; empty if not assessed"),
        _probability("p_damaged", "probability that it is damaged; empty if not assessed"),
        _count("classic_rank", "rank by the three classic measures"),
        _number("classic_score", "0-3", "sum of the three parts"),
        _number("mates_part", "0-1", "matings since the last cleaning"),
        _number("drift_part", "0-1", "loss drift of its circuits"),
        _number("time_part", "0-1", "time since the last inspection"),
        _text("classic_reasons", "in words"),
        _count("probability_rank", "rank by the probability of being not clean"),
        _count("benefit_rank", "rank by benefit per crew minute"),
        _number("benefit_score", "customer-min/min", "expected benefit per crew minute"),
        _number("benefit", "customer-min", "expected benefit: sum of the parts below"),
        _number("margin_part", "customer-min", "margin restored on its circuits"),
        _number("spread_part", "customer-min", "spread avoided"),
        _number("damage_part", "customer-min", "damage avoided"),
        _number("looking_part", "customer-min", "value of looking"),
        _number("minutes_part", "customer-min", "crew minutes, negative"),
        _number("risk_part", "customer-min", "risk of opening a good, live connection, negative"),
        _number("minutes", "minutes", "work at the port"),
        _text("action", "inspect_clean, replace or inspect"),
        _text("reasons", "in words"),
    ),
)

BACKTEST_SCORES = Table(
    name="backtest_scores",
    kind="result",
    meaning="How right one way of ranking was on a past day, judged by what was found after it.",
    key=("ranked_at", "method"),
    columns=(
        _at("ranked_at", "the day; only data before it was used"),
        _at("until_at", "end of the time in which findings count"),
        _text("method", "benefit, probability, classic, mates, drift or time"),
        _count("judged", "end faces that were looked at after that day"),
        _count("found", "of them found not clean"),
        _probability("base_rate", "share found, weighted for which end faces were looked at"),
        _number("precision_at_5", "-", "share found among the first 5 % of the ranking"),
        _number("precision_low", "-", "lower end of its 90 % interval, sites drawn with replacement"),
        _number("precision_high", "-", "upper end"),
        _number("over_classic_low", "-", "lower end of the 90 % interval of precision_at_5 against the classic one"),
        _number("over_classic_high", "-", "upper end; an interval that holds 1 proves no difference"),
        _number("lift_at_5", "-", "precision_at_5 against the base rate"),
        _probability("auc", "probability that a found one stood before one not found"),
        _number("brier", "-", "mean squared error of the probability; empty where the method gives none"),
        _number("calibration_error", "-", "expected calibration error; empty where the method gives none"),
        _number("benefit_caught", "-", "share of the benefit of bad end faces caught by the first 5 % of the minutes"),
        _text("note", "what was not assessed, censoring, how selection was handled"),
    ),
)

BACKTEST_CURVES = Table(
    name="backtest_curves",
    kind="result",
    meaning="Points of the curves of a back-test.",
    columns=(
        _at("ranked_at", "the day of the back-test"),
        _text("method", "as in backtest_scores"),
        _text("curve", "benefit_caught (x: share of the crew minutes) or calibration (x: said, y: found)"),
        _number("x", "-", "abscissa, 0 to 1"),
        _number("y", "-", "ordinate, 0 to 1"),
        _count("cases", "end faces the point rests on"),
    ),
)

PLANS = Table(
    name="plans",
    kind="result",
    meaning="One version of a route plan.",
    key=("plan_id",),
    columns=(
        _text("plan_id", "plan and version"),
        _text("status", "draft, committed, done, or replaced by another plan"),
        _at("made_at", "when"),
        _text("made_by", "who"),
        _text("from_on", "first day"),
        _count("days", "days planned"),
        _number("benefit", "customer-min", "expected benefit"),
        _number("cost", "money", "labour, travel and overtime"),
        _number("upper_bound", "money", "no plan with these crews can net more"),
        _number("gap", "-", "upper bound against this plan, 0.04 = 4 %"),
        _text("assumptions", "travel source, money per customer-minute, seed, stop"),
        _text("document", "plan.json as written"),
    ),
)

PLAN_STOPS = Table(
    name="plan_stops",
    kind="result",
    meaning="One visit of one crew on one day.",
    key=("plan_id", "crew_id", "day_on", "stop_no"),
    columns=(
        _text("plan_id", "plan"),
        _text("crew_id", "crew"),
        _text("day_on", "day"),
        _count("stop_no", "order in the day"),
        _text("site_id", "site"),
        _text("arrive_at", "HH:MM local"),
        _text("start_at", "HH:MM local"),
        _text("leave_at", "HH:MM local"),
        _number("travel_min", "minutes", "drive to the stop"),
        _number("travel_km", "km", "road to the stop"),
        _number("work_min", "minutes", "work at the stop, entry included"),
        _number("benefit", "customer-min", "expected benefit of its jobs"),
        _text("note", "access note, change window"),
    ),
)

PLAN_JOBS = Table(
    name="plan_jobs",
    kind="result",
    meaning="One job at a stop.",
    key=("plan_id", "crew_id", "day_on", "stop_no", "job_no"),
    columns=(
        _text("plan_id", "plan"),
        _text("crew_id", "crew"),
        _text("day_on", "day"),
        _count("stop_no", "stop"),
        _count("job_no", "order at the stop"),
        _text("connector_id", "end face"),
        _text("port_id", "port"),
        _list("circuits", "circuits concerned"),
        _text("action", "inspect_clean, replace or inspect"),
        _text("method", "cleaning method"),
        _text("tip", "inspection tip"),
        _list("kit", "what it needs"),
        _number("minutes", "minutes", "work"),
        _number("benefit", "customer-min", "expected benefit"),
        _text("pair_id", "both-ends pair it belongs to; empty if none"),
        _text("reasons", "why"),
    ),
)

PLAN_LEFT_OUT = Table(
    name="plan_left_out",
    kind="result",
    meaning="A job that did not fit, and why.",
    columns=(
        _text("plan_id", "plan"),
        _text("connector_id", "end face"),
        _text("site_id", "site"),
        _number("benefit", "customer-min", "benefit forgone"),
        _text("reason", "why, in words"),
    ),
)

PLAN_SCENARIOS = Table(
    name="plan_scenarios",
    kind="result",
    meaning="What-if: the same days planned under other circumstances, one row per scenario.",
    key=("plan_id", "scenario"),
    columns=(
        _text("plan_id", "plan the scenarios are compared with"),
        _text("scenario", "name of the scenario; base for the plan itself"),
        _text("meaning", "in words"),
        _number("benefit", "money", "expected benefit, priced"),
        _number("cost", "money", "labour, travel and overtime"),
        _number("net", "money", "benefit less cost"),
        _number("upper_bound", "money", "no plan of that scenario nets more"),
        _number("gap", "-", "upper bound against the plan, 0.04 = 4 %"),
        _number("km", "km", "road driven"),
        _count("crew_days", "crew-days that go out"),
        _count("stops", "stops"),
        _count("jobs", "end faces visited"),
        _number("overtime_min", "minutes", "overtime"),
    ),
)

STAGE_RUNS = Table(
    name="stage_runs",
    kind="ledger",
    meaning="Which state of the data each stage of the analysis rests on.",
    key=("stage",),
    columns=(
        _text("stage", "derive, trace, light, health, diagnose, rank or route"),
        _count("load_id", "newest load it has seen"),
        _at("as_of_at", "the moment it was computed for"),
        _number("seconds", "s", "time it took"),
        _text("note", "what was not assessed"),
        _text("settings", "fingerprint of the code and of the operator's own settings it ran with"),
    ),
)

LOADS = Table(
    name="loads",
    kind="ledger",
    meaning="One load: what came in.",
    key=("load_id",),
    columns=(
        _count("load_id", "number, rising"),
        _at("loaded_at", "when"),
        _text("source", "folder or file"),
        _count("rows_read", "rows read"),
        _count("rows_new", "rows added"),
        _count("rows_replaced", "rows corrected by key"),
        _count("rows_same", "rows already known"),
        _count("rows_kept_out", "rows with a blocking finding"),
    ),
)

LOAD_FILES = Table(
    name="load_files",
    kind="ledger",
    meaning="One file of a load.",
    key=("load_id", "file_name"),
    columns=(
        _count("load_id", "load"),
        _text("file_name", "file"),
        _text("table_name", "table it fills"),
        _text("sha256", "hash of its content"),
        _text("read_as", "encoding, delimiter, decimal sign, line ends, mapping"),
        _count("rows_read", "rows read"),
        _count("rows_new", "rows added"),
        _count("rows_replaced", "rows corrected by key"),
        _count("rows_same", "rows already known"),
        _count("rows_kept_out", "rows with a blocking finding"),
    ),
)

TRACE_FILES = Table(
    name="trace_files",
    kind="ledger",
    meaning="One reflectometer file: the trace it became and the hash of its raw bytes.",
    key=("trace_id",),
    columns=(
        _text("trace_id", "trace in otdr_events"),
        _text("file_name", "file"),
        _text("sha256", "SHA-256 of the raw file"),
        _count("load_id", "load that took it in last"),
    ),
)

INTAKE_FINDINGS = Table(
    name="findings",
    kind="ledger",
    meaning="One fault found in the intake.",
    columns=(
        _count("load_id", "load"),
        _text("code", "kind of fault"),
        _text("severity", "blocking or warning"),
        _text("table_name", "table"),
        _text("file_name", "file"),
        _count("line", "line of the text file, sheet or record number otherwise"),
        _text("column_name", "column; empty for a whole row"),
        _text("value", "what was found"),
        _text("rule", "what it must be"),
        _text("consequence", "what we did"),
    ),
)

QUARANTINE = Table(
    name="quarantine",
    kind="ledger",
    meaning="The text of a row that was kept out, so that nothing handed in is lost.",
    columns=(
        _count("load_id", "load"),
        _text("table_name", "table"),
        _text("file_name", "file"),
        _count("line", "line of the text file, sheet or record number otherwise"),
        _text("raw_row", "the cells as they came, by header, as JSON; the bare text of a broken record"),
    ),
)

ROW_HISTORY = Table(
    name="row_history",
    kind="ledger",
    meaning="The earlier version of a corrected row.",
    columns=(
        _count("load_id", "load that replaced it"),
        _count("from_load_id", "load that brought it"),
        _text("table_name", "table"),
        _text("row_key", "key, parts separated by |"),
        _text("old_row", "the row as JSON"),
    ),
)

RESULT_TABLES: tuple[Table, ...] = (
    CONNECTOR_STATE,
    DOUBTFUL_MEASUREMENTS,
    SERIES_DRIFT,
    CIRCUIT_PATHS,
    CIRCUIT_STATUS,
    AUDIT_FINDINGS,
    CIRCUIT_BUDGET,
    BUDGET_ELEMENTS,
    ELEMENT_READINGS,
    HISTORY_BELIEFS,
    CONNECTOR_HEALTH,
    HEALTH_EVIDENCE,
    DIRT_SOURCES,
    LEARNED_PARAMETERS,
    FLEET_FIGURES,
    DIAGNOSIS,
    UNREAD_CIRCUITS,
    DIAGNOSIS_EVIDENCE,
    FACE_BLAME,
    RANKING,
    BACKTEST_SCORES,
    BACKTEST_CURVES,
    PLANS,
    PLAN_STOPS,
    PLAN_JOBS,
    PLAN_LEFT_OUT,
    PLAN_SCENARIOS,
)
LEDGER_TABLES: tuple[Table, ...] = (
    LOADS,
    LOAD_FILES,
    TRACE_FILES,
    INTAKE_FINDINGS,
    QUARANTINE,
    ROW_HISTORY,
    STAGE_RUNS,
)
