"""Mains supply of a stage: what a circuit carries for hours. Pure.

Information only. The rule of continuous loads is that of the National Electrical Code (NFPA 70,
210.20(A)); other places have other rules. Local codes, the venue's papers and a licensed
electrician decide; these estimates do not replace them, nor measurement under load. A dimmed or
switched-mode load draws more than its watts say.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from bridge.stage.checks import not_negative, positive

CONTINUOUS_S = 3 * 3600.0
"""A load that stays on this long or longer is continuous (NEC, article 100)."""

CONTINUOUS_FACTOR = 1.25
"""A device must be rated for this part of the continuous load (NEC 210.20(A))."""

DEVICES_A = (15.0, 20.0, 25.0, 30.0, 35.0, 40.0, 45.0, 50.0, 60.0, 70.0, 80.0, 90.0, 100.0)
"""Standard ratings of fuses and breakers up to 100 A (NEC 240.6(A), from memory)."""

NOTE = "an estimate: local codes and a licensed electrician decide"
"""Stands in every verdict of this module."""


@dataclass(frozen=True, slots=True)
class Load:
    """Something that is plugged in.

    Attributes:
        name: What it is, for people.
        current_a: What it draws, A.
        on_s: How long it stays on at a time, s.
    """

    name: str
    current_a: float
    on_s: float

    def __post_init__(self) -> None:
        not_negative(self.current_a, f"{self.name}: current, A")
        not_negative(self.on_s, f"{self.name}: time on, s")


@dataclass(frozen=True, slots=True)
class SupplyVerdict:
    """What a circuit's loads ask of its device.

    Attributes:
        needed_a: Rating that the loads ask for, A.
        device_a: Rating of the device, A.
        fits: Whether the device is rated for them.
        reason: What was found and what was expected, and who decides.
    """

    needed_a: float
    device_a: float
    fits: bool
    reason: str


def is_continuous(on_s: float) -> bool:
    """Whether a load that stays on this long, s, is continuous: three hours or more."""
    return not_negative(on_s, "time on, s") >= CONTINUOUS_S


def needed_rating_a(continuous_a: float, other_a: float = 0.0) -> float:
    """Rating that a device needs, A: 125 % of the continuous load and 100 % of the rest.

    The rule is about loading, not tripping: a 20 A device carries 16 A without end and does not
    trip there. Only continuous load counts more; the rest may fill the device.
    """
    continuous = not_negative(continuous_a, "continuous load, A")
    return CONTINUOUS_FACTOR * continuous + not_negative(other_a, "other load, A")


def largest_continuous_a(device_a: float) -> float:
    """Largest continuous load of a device with nothing else on it, A: 80 % of its rating."""
    return positive(device_a, "device, A") / CONTINUOUS_FACTOR


def smallest_device_a(needed_a: float) -> float:
    """Smallest standard device for a rating, A.

    Raises:
        ValueError: more than 100 A are needed: not a matter for this page.
    """
    not_negative(needed_a, "rating, A")
    for device in DEVICES_A:
        if device >= needed_a:
            return device
    raise ValueError(f"rating, A: found {needed_a:g}, expected up to {DEVICES_A[-1]:g}; {NOTE}")


def apparent_power_va(voltage_v: float, current_a: float) -> float:
    """Power of a voltage and a current, VA (W for a load like a resistor)."""
    return not_negative(voltage_v, "voltage, V") * not_negative(current_a, "current, A")


def supply_verdict(loads: Iterable[Load], device_a: float) -> SupplyVerdict:
    """Judge the loads of one circuit against the rating of its device.

    Information only: local codes and a licensed electrician decide.

    Args:
        loads: Everything on the circuit.
        device_a: Rating of its fuse or breaker, A.
    """
    kept = list(loads)
    continuous = sum(load.current_a for load in kept if is_continuous(load.on_s))
    other = sum(load.current_a for load in kept) - continuous
    needed = needed_rating_a(continuous, max(other, 0.0))
    fits = needed <= positive(device_a, "device, A") * (1.0 + 1e-12)
    said = f"found {needed:.1f} A needed, expected up to {device_a:g} A; {NOTE}"
    return SupplyVerdict(needed, device_a, fits, said)
