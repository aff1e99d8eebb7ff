"""What a rig permits that can hurt: post-fader monitors, high ceilings, a deaf console. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from bridge.checking.ground import Ground, Remark, some
from bridge.rig.layout import Parameter


def remarks(ground: Ground) -> Iterator[Remark]:
    """Every danger."""
    yield from _taps(ground)
    yield from _ceilings(ground)
    yield from _readback(ground)
    yield from _out_of_reach(ground)


def _taps(ground: Ground) -> Iterator[Remark]:
    rig, console = ground.rig, ground.console
    for number, bus in enumerate(rig.file.bus):
        if bus.tap == "post":
            yield Remark(rig.at(("bus", number, "tap")),
                         f"{bus.id} is tapped post fader: every move of a channel fader is heard "
                         "in this monitor", 'write tap = "pre" unless that is meant')  # fmt: skip
    taps = set(rig.layout.slots(Parameter.SEND_TAP))
    if not taps & (console.can_set | console.can_read):
        yield Remark(rig.at(("console", "map")), "the console neither says nor is told where a "
                     "send takes its signal", "see at the desk that all taps are as declared "
                     "here, pre unless the rig says post")  # fmt: skip


def _ceilings(ground: Ground) -> Iterator[Remark]:
    rig = ground.rig
    limits = rig.file.limits
    for number, bus in enumerate(rig.file.bus):
        own = bus.master_ceiling_db is not None
        ceiling = bus.master_ceiling_db if bus.master_ceiling_db is not None \
            else limits.master_ceiling_db  # fmt: skip
        if not ceiling <= bus.nominal_db:
            where = ("bus", number, "master_ceiling_db") if own else ("limits", "master_ceiling_db")
            yield Remark(rig.at(where),
                         f"the ceiling of {bus.id}, {ceiling:g} dB, is above its nominal level, "
                         f"{bus.nominal_db:g} dB", "lower master_ceiling_db, or raise nominal_db "
                         "if the wedges were set up for it")  # fmt: skip
        if not bus.start_db <= bus.nominal_db:
            yield Remark(rig.at(("bus", number, "start_db")),
                         f"{bus.id} opens at {bus.start_db:g} dB, above its nominal level, "
                         f"{bus.nominal_db:g} dB", "lower start_db")  # fmt: skip


def _readback(ground: Ground) -> Iterator[Remark]:
    """A console of which the bridge learns nothing, or less than it tells."""
    rig, console = ground.rig, ground.console
    if not rig.file.console.readback:
        yield Remark(rig.at(("console", "readback")), "the console is not read back: what is lost "
                     "on the way or moved at the desk stays unseen",
                     "leave readback on if the console can be asked")  # fmt: skip
        return
    if not console.can_read:
        yield Remark(rig.at(("console", "map")), "the console cannot be read back: what is lost on "
                     "the way or moved at the desk stays unseen", "add entries that read, or write "
                     "readback = false to say that you know")  # fmt: skip
        return
    yield from _half_read(ground)


def _half_read(ground: Ground) -> Iterator[Remark]:
    rig, console = ground.rig, ground.console
    where, name = rig.at(("console", "map")), rig.layout.name
    unread = sorted(console.can_set - console.can_read)
    if unread:
        yield Remark(where, f"the console is told {some(list(map(name, unread)))}, "
                     "and cannot be read back there", "add entries that read")  # fmt: skip
    silent = [slot for slot in sorted(console.can_read) if not console.ask(slot)]
    if silent and not console.ask_all:
        yield Remark(where, f"nothing asks for {some(list(map(name, silent)))}: the bridge waits "
                     "at start until the desk tells it", "add 'ask' or 'ask_all'")  # fmt: skip
    elif silent and not console.echoes and (told := set(silent) & console.can_set):
        yield Remark(where, f"nothing confirms {some(list(map(name, sorted(told))))}: the console "
                     "does not repeat it and is not asked for it", "add 'ask', or echoes = true if "
                     "the console repeats changes")  # fmt: skip


def _out_of_reach(ground: Ground) -> Iterator[Remark]:
    """Channels and buses that the console's map does not reach, and buses that stay closed."""
    rig, can_set, layout = ground.rig, ground.console.can_set, ground.rig.layout
    for number, channel in enumerate(rig.file.channel):
        cells = {layout.slot(Parameter.SEND_LEVEL, number, b) for b in range(len(layout.buses))}
        if not cells & can_set:
            where = rig.at(("channel", number, "console"))
            yield Remark(where, f"no send of {channel.id} can be set at this console",
                         "check the number against the map's 'channels'")  # fmt: skip
    opened = {slot for hands in ground.hands for control in hands.words.controls
              for slot in control.slots if ground.may(hands, slot)}  # fmt: skip
    for number, bus in enumerate(rig.file.bus):
        if layout.slot(Parameter.BUS_MASTER, -1, number) not in can_set:
            where = rig.at(("bus", number, "console"))
            yield Remark(where, f"the master of {bus.id} cannot be set at this console",
                         "check the number against the map's 'buses'")  # fmt: skip
        if not bus.auto_open and layout.slot(Parameter.BUS_OPEN, -1, number) not in opened:
            yield Remark(rig.at(("bus", number)), f"nothing opens {bus.id}: no control of the "
                         "engineer's does, and it does not open by itself",
                         "add a control for 'bus open', or auto_open = true")  # fmt: skip
