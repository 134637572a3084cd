"""Shared by all tests: with this file here, pytest puts tests/ on the path, so that one folder's material can
be imported by another's tests (`from truth.fault_fleet import build`)."""
