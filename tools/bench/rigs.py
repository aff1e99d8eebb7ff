"""The rigs and address maps that the benchmarks run the bridge with. Pure."""

from __future__ import annotations

import random
from dataclasses import dataclass

LOW_DB = -59.0
"""Where every send and every bus stands at the start: one step above the ramp floor, so that no
ramp is under way when measuring begins, and loud enough that the speed limit counts."""

MIDI_STEP_DB = 0.25
"""One step of a MIDI control; value 63 stands where every send stands at the start."""


@dataclass(frozen=True, slots=True)
class Ports:
    """UDP ports on loopback.

    Attributes:
        control: Where controllers send to.
        sink: Where the console listens.
        back: Where the bridge would hear the console, which is dumb here.
    """

    control: int
    sink: int
    back: int


def osc_files(channels: int, buses: int, ports: Ports, console: str = "") -> dict[str, str]:
    """Files of a rig with one OSC controller and one OSC console, names to texts.

    Args:
        channels: How many channels.
        buses: How many buses; all open by themselves.
        ports: Where everything listens.
        console: More lines for the rig's ``[console]``.
    """
    roads = f"""
[[controller]]
id = "knobs"
hands = "engineer"
map = "controller.toml"
listen = "udp://127.0.0.1:{ports.control}"
source = "127.0.0.1"

[console]
map = "console.toml"
send = "udp://127.0.0.1:{ports.sink}"
listen = "udp://127.0.0.1:{ports.back}"
readback = false
{console}
"""
    return {
        "rig.toml": _stage(channels, buses) + roads,
        "console.toml": _osc_map("console"),
        "controller.toml": _osc_map("controller", 'takeover = "jump"'),
    }


def midi_files(channels: int, keys: str, desk: str) -> dict[str, str]:
    """Files of a rig with one MIDI controller and one MIDI console on one bus.

    Args:
        channels: How many channels: one control change each, from controller 20 on.
        keys: Pattern of the controller's port name.
        desk: Pattern of the console's port name.
    """
    roads = f"""
[[controller]]
id = "keys"
hands = "engineer"
map = "controller.toml"
midi = "{keys}"

[console]
map = "console.toml"
midi = "{desk}"
readback = false
"""
    return {
        "rig.toml": _stage(channels, 1) + roads,
        "console.toml": _midi_map("console"),
        "controller.toml": _midi_map("controller", 'takeover = "jump"'),
    }


def _stage(channels: int, buses: int) -> str:
    mix = ", ".join(f"c{channel} = {LOW_DB}" for channel in range(1, channels + 1))
    return (
        '[rig]\nname = "Ferry Lane, measuring"\n'
        + "".join(f'\n[[channel]]\nid = "c{n}"\nconsole = {n}\n' for n in range(1, channels + 1))
        + "".join(
            f'\n[[bus]]\nid = "b{n}"\nconsole = {n}\n'
            f"start_db = {LOW_DB}\nauto_open = true\n"
            f"start_mix = {{ {mix} }}\n"
            for n in range(1, buses + 1)
        )
    )


def _osc_map(kind: str, more: str = "") -> str:
    master = '\n[[osc]]\nparameter = "bus master"\naddress = "/out/{bus:02}/level"\n'
    return (
        f'[map]\nname = "measuring"\nkind = "{kind}"\n'
        '\n[[osc]]\nparameter = "send level"\n'
        'address = "/out/{bus:02}/in/{channel:02}/level"\ntype = "f"\n'
        f"{more}\n" + (master if kind == "console" else "")
    )


def _midi_map(kind: str, more: str = "") -> str:
    half_db = 63 * MIDI_STEP_DB
    law = f"law = {{ from_db = {LOW_DB - half_db}, to_db = {LOW_DB + half_db + MIDI_STEP_DB} }}"
    master = '\n[[midi]]\nparameter = "bus master"\nbus = 1\nmessage = "control change"\n'
    return (
        f'[map]\nname = "measuring"\nkind = "{kind}"\n'
        '\n[[midi]]\nparameter = "send level"\nbus = 1\nmessage = "control change"\n'
        f"midi_channel = 1\nnumber = {{ first = 20, per_channel = 1 }}\n{law}\n{more}\n"
        + (f'{master}midi_channel = 2\nnumber = 7\nlaw = "40 log10"\n' if kind == "console" else "")
    )


def stage_tables(channels: int, buses: int) -> str:
    """A stage for ``osc_files``: a microphone a channel, a wedge a bus, scattered by one seed."""
    chance = random.Random(11)

    def place(height_m: float) -> str:
        return f"[{chance.uniform(-6, 6):.3f}, {chance.uniform(0, 8):.3f}, {height_m}]"

    microphones = "".join(
        f'[[microphone]]\nchannel = "c{c + 1}"\nat = {place(1.5)}\n'
        f'aim_deg = [{chance.uniform(0, 360):.1f}, 0.0]\npattern = "cardioid"\n'
        "nominal_spl_db = 94.0\n"
        for c in range(channels)
    )
    wedges = "".join(
        f'[[loudspeaker]]\nid = "w{b + 1}"\nbus = "b{b + 1}"\nactive = true\n'
        f"at = {place(0.2)}\naim_deg = [{chance.uniform(0, 360):.1f}, 45.0]\n"
        "spl_1m_db = 96.0\n"
        for b in range(buses)
    )
    return f"[stage]\nmargin_db = 6.0\n{microphones}{wedges}"
