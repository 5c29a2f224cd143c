"""Fixtures shared by all tests."""

from virtual_bench.fixture import virtual_bench

__all__ = ["virtual_bench"]
