"""Every plant by name."""

from __future__ import annotations

from plants import carbon, fixed, receiver

PLANTS = {
    plant.name: plant
    for plant in (
        fixed.Electret(),
        fixed.MovingCoil(),
        fixed.Wire(),
        fixed.Network(),
        fixed.HumCoil(),
        carbon.Carbon(),
        carbon.EARLY,
        carbon.SETTLING,
        carbon.PACKING,
        carbon.FRYING,
        receiver.MagneticReceiver(),
        receiver.EARLY,
        receiver.TOUCHING,
        receiver.RING_ARMATURE,
    )
}
