"""
The simulated bench: modelled telephones with the trade's faults, for a machine with no hardware.

A physical model, not a filter with a polynomial: pressure at the mouthpiece moves a diaphragm,
granules change their resistance in a direct-current loop, the network lets part of it through to
a magnetic receiver, and the receiver works into a coupler. Nothing here is shared with the
analysis that is checked against it.

`SimulatedBench` plays programmes. The rest of a checkout has generators of its own, each giving
samples with their exact truth: `dial`, `bell`, `flex`, `tones`, `voice`.
"""

from voicecheck.bench.simulated.bench import SimulatedBench
from voicecheck.bench.simulated.catalogue import (
    FaultCase,
    check_handset,
    list_fault_cases,
    list_fault_causes,
    list_faults,
    list_handsets,
    make_model,
)
from voicecheck.bench.simulated.handset import HandsetModel

__all__ = [
    "FaultCase",
    "HandsetModel",
    "SimulatedBench",
    "check_handset",
    "list_fault_cases",
    "list_fault_causes",
    "list_faults",
    "list_handsets",
    "make_model",
]
