"""Fixtures shared by all tests."""

from virtual_bench.fixture import shared_card, shared_server, virtual_bench

__all__ = ["shared_card", "shared_server", "virtual_bench"]
