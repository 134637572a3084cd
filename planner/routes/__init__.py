"""Ranked end faces -> crews' days: jobs, site visits, travel, routes with a proven bound, outputs."""

from planner.routes.problem import CrewDay, RoutePlan, Stop
from planner.routes.solving import plan_routes

__all__ = ["CrewDay", "RoutePlan", "Stop", "plan_routes"]
