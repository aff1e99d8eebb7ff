"""Values to complete MIDI messages, and the relative codings of endless knobs. Pure.

Every encoder answers whole messages in sending order, each with its own status byte, and refuses
what does not fit with a ``WireError``. ``midi_channel`` is 1..16.

A 14-bit value goes out as MSB and LSB, and a receiver may act on each. As MIDI 1.0 has it ("when an
MSB is received, the receiver should set its concept of the LSB to zero") it never stands above the
new value in between, nor does one that waits for the LSB. One that keeps the old LSB may: 10.127 to
11.0 passes through 11.127. For those ``careful`` says the MSB below first, then the LSB, the MSB
and the LSB again: 10.x, 10.0, 11.0. Whatever the receiver does, and even if its LSB is another
parameter's, each of these is below the new value, except in the lowest step of the MSB (value
0..127), where there is none below and an LSB of its own is assumed.

Facts: MIDI 1.0 Detailed Specification 4.2, tables 1-3a and "Control Change" (14-bit controllers);
data entry is "Registered and Non-Registered Parameter Numbers".
"""

from __future__ import annotations

from typing import Final

from bridge.errors import WireError
from bridge.wire.midi_events import DATA_MSB, DECREMENT, FULL7, FULL14, INCREMENT
from bridge.wire.midi_halves import NRPN_LSB, NRPN_MSB, NULL, RPN_LSB, RPN_MSB


def note(midi_channel: int, number: int, velocity: int) -> tuple[bytes, ...]:
    """Note on; velocity 0 (0..127) is the note off that every receiver knows."""
    status = 0x90 | _low(midi_channel)
    return (bytes((status, _within("note", number, FULL7), _within("velocity", velocity, FULL7))),)


def poly_pressure(midi_channel: int, number: int, value: int) -> tuple[bytes, ...]:
    """Pressure 0..127 of one note 0..127."""
    status = 0xA0 | _low(midi_channel)
    return (bytes((status, _within("note", number, FULL7), _within("pressure", value, FULL7))),)


def control_change(midi_channel: int, control: int, value: int) -> tuple[bytes, ...]:
    """Controller 0..127 to 0..127; 120..127 are channel mode messages."""
    status = 0xB0 | _low(midi_channel)
    return (bytes((status, _within("control", control, FULL7), _within("value", value, FULL7))),)


def control_change_14(
    midi_channel: int, control: int, value: int, *, careful: bool = False
) -> tuple[bytes, ...]:
    """Controller 0..31 and its LSB, 32 above, to 0..16383; MSB first, as the standard says."""
    _within("14-bit control", control, 31)
    return _controls(midi_channel, *_halves(control, value, careful))


def nrpn(
    midi_channel: int, number: int, value: int, *, deselect: bool = False, careful: bool = False
) -> tuple[bytes, ...]:
    """Non-registered parameter 0..16382 to 0..16383; ``deselect`` adds the null that ends it."""
    select = _select(NRPN_MSB, NRPN_LSB, number)
    entry = _halves(DATA_MSB, value, careful)
    return _controls(midi_channel, *select, *entry, *_null(deselect))


def rpn(
    midi_channel: int, number: int, value: int, *, deselect: bool = False, careful: bool = False
) -> tuple[bytes, ...]:
    """Registered parameter 0..16382 to 0..16383; ``deselect`` adds the null that ends it."""
    select = _select(RPN_MSB, RPN_LSB, number)
    entry = _halves(DATA_MSB, value, careful)
    return _controls(midi_channel, *select, *entry, *_null(deselect))


def nrpn_step(midi_channel: int, number: int, steps: int) -> tuple[bytes, ...]:
    """Non-registered parameter ``steps`` up (positive) or down, -127..127, one message a step."""
    return _controls(midi_channel, *_select(NRPN_MSB, NRPN_LSB, number), *_steps(steps))


def rpn_step(midi_channel: int, number: int, steps: int) -> tuple[bytes, ...]:
    """Registered parameter ``steps`` up (positive) or down, -127..127, one message a step."""
    return _controls(midi_channel, *_select(RPN_MSB, RPN_LSB, number), *_steps(steps))


def program_change(midi_channel: int, program: int) -> tuple[bytes, ...]:
    """Program 0..127, counted from 0 as on the wire."""
    return (bytes((0xC0 | _low(midi_channel), _within("program", program, FULL7))),)


def channel_pressure(midi_channel: int, value: int) -> tuple[bytes, ...]:
    """Pressure 0..127 of a whole MIDI channel."""
    return (bytes((0xD0 | _low(midi_channel), _within("pressure", value, FULL7))),)


def pitch_bend(midi_channel: int, value: int) -> tuple[bytes, ...]:
    """Bend 0..16383, 8192 is the centre; the LSB goes first here, inside one message."""
    status = 0xE0 | _low(midi_channel)
    _within("bend", value, FULL14)
    return (bytes((status, value & 0x7F, value >> 7)),)


def _low(midi_channel: int) -> int:
    if not 1 <= midi_channel <= 16:
        raise WireError(f"MIDI channel {midi_channel}, expected 1..16")
    return midi_channel - 1


def _within(name: str, value: int, highest: int) -> int:
    if not (isinstance(value, int) and 0 <= value <= highest):
        raise WireError(f"{name} {value}, expected a whole number 0..{highest}")
    return value


def _controls(midi_channel: int, *pairs: tuple[int, int]) -> tuple[bytes, ...]:
    status = 0xB0 | _low(midi_channel)
    return tuple(bytes((status, control, value)) for control, value in pairs)


def _select(msb_control: int, lsb_control: int, number: int) -> tuple[tuple[int, int], ...]:
    _within("parameter number", number, NULL - 1)
    return (msb_control, number >> 7), (lsb_control, number & 0x7F)


def _halves(control: int, value: int, careful: bool) -> tuple[tuple[int, int], ...]:
    """A controller's MSB and LSB; ``careful``: by way of the MSB below."""
    _within("14-bit value", value, FULL14)
    msb, lsb = (control, value >> 7), (control + 32, value & 0x7F)
    if careful and value > FULL7:
        return (control, (value >> 7) - 1), lsb, msb, lsb
    return msb, lsb


def _null(deselect: bool) -> tuple[tuple[int, int], ...]:
    return ((RPN_MSB, 127), (RPN_LSB, 127)) if deselect else ()


def _steps(steps: int) -> tuple[tuple[int, int], ...]:
    _within("number of steps", abs(steps), 127)
    return ((INCREMENT if steps > 0 else DECREMENT, 0),) * abs(steps)


TWOS_COMPLEMENT, BINARY_OFFSET, SIGN_MAGNITUDE = (
    "two's complement",
    "binary offset",
    "sign magnitude",
)

RELATIVE: Final[dict[str, tuple[int, ...]]] = {
    TWOS_COMPLEMENT: tuple(byte - 128 * (byte >= 64) for byte in range(128)),
    BINARY_OFFSET: tuple(byte - 64 for byte in range(128)),
    SIGN_MAGNITUDE: tuple(-(byte - 64) if byte >= 64 else byte for byte in range(128)),
}
"""Steps by coding and data byte: up 1..63, down 64..1 (63..1 with a sign bit), still 0.

The codings that endless knobs use in a control change; no standard names them (common practice)."""

_RELATIVE_BYTE: Final = {
    # Backwards, so that still (0) is byte 0 in sign magnitude and not the odd "minus zero", 64.
    coding: {steps: byte for byte, steps in reversed(list(enumerate(table)))}
    for coding, table in RELATIVE.items()
}


def decode_relative(coding: str, value7: int) -> int:
    """Steps that the data byte 0..127 means in one of the ``RELATIVE`` codings.

    Raises:
        WireError: an unknown coding or a byte outside 0..127.
    """
    return _known(coding)[_within("relative byte", value7, FULL7)]


def encode_relative(coding: str, steps: int) -> int:
    """Data byte 0..127 that means so many steps in one of the ``RELATIVE`` codings.

    Raises:
        WireError: an unknown coding, or more steps than one message of it can say.
    """
    table = _known(coding)
    byte = _RELATIVE_BYTE[coding].get(steps)
    if byte is None:
        raise WireError(f"{steps} steps, expected {min(table)}..{max(table)}")
    return byte


def _known(coding: str) -> tuple[int, ...]:
    if coding not in RELATIVE:
        raise WireError(f"coding {coding!r}, expected one of {', '.join(RELATIVE)}")
    return RELATIVE[coding]
