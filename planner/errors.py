"""Every exception the planner raises on purpose.

    PlannerError
    |-- InputError       a table or file is missing, unreadable or refused
    |-- ParameterError   a caller passed a value that cannot be meant
    |-- StoreError       the database file cannot be opened, is of another version, is in use
    |-- TraceError       a path was asked for that the records cannot give
    |-- PlanningError    no plan can be made from these crews and jobs
    `-- Cancelled        the user stopped long work; nothing was changed

Imperfect data is not an exception: it becomes findings (`planner.intake.check`, `planner.plant.audit`).
One message form: where, what it got, what it must be, what to do.
"""


class PlannerError(Exception):
    """Anything the planner refuses on purpose; the command line prints its one line and exits with 2."""


class InputError(PlannerError):
    """A required table is missing, or a file cannot be read as what it claims to be."""


class ParameterError(PlannerError):
    """A caller passed a value outside what the function is defined for."""


class StoreError(PlannerError):
    """The database cannot be used: in use, damaged, of a newer version, or absent."""


class TraceError(PlannerError):
    """A path or element was asked for that the records do not hold."""


class PlanningError(PlannerError):
    """The route planner was given contradictory or empty material."""


class Cancelled(PlannerError):
    """Long work was stopped by the user; the store is as it was before."""
