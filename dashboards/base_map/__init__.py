"""Outlines for the maps, carried in the package so that no map server is needed."""
