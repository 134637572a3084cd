"""The DuckDB file: schema, loads, queries, exports, copies. All SQL of the planner is here and in the intake."""
