"""Rigs and OSC maps of chance, and everything that could be said to them. Pure but for chance."""

from __future__ import annotations

from itertools import product

from hypothesis import assume
from hypothesis import strategies as st

from bridge.errors import MapError
from bridge.maps.load import parse_map
from bridge.rig.layout import KINDS, Kind, Parameter, Scope
from bridge.wire import osc

FIELDS = {
    Scope.CHANNEL: "/{channel}",
    Scope.CELL: "/{channel}/{bus}",
    Scope.BUS: "/{bus}",
    Scope.PERFORMER: "/{performer}",
    Scope.GROUP: "/{group}",
    Scope.PRESET: "/{preset}",
    Scope.WHOLE: "",
}

HEAD = """
[map]
name = "Any map"
kind = "controller"
[law.page]
points = [[0, -60], [0.5, -15], [1, 25]]
off_at_bottom = true
"""

FORMS = (
    'type = "f"\nlaw = "page"',
    'type = "f"\nlaw = "page"\nrange = [1, 0]',
    'type = "i"\nlaw = "page"\nrange = [0, 200]\noff = -1',
    'type = "f"\nrange = [-80, 20]\noff = -90',
    'type = "i"\nunit_db = 0.5\nrange = [-120, 40]',
    'type = "i"',
    'type = "f"',
    'type = "T"',
    'type = "s"\noff = "no"\non = "yes"',
    'type = "s"\npre = "no"\npost = "yes"',
    'type = "none"',
)
ACTIONS = (
    'action = "absolute"',
    'action = "relative"\nstep_db = 0.5',
    'action = "toggle"',
    'action = "toggle"\nreleases = false',
    'action = "momentary"',
    'action = "set"\nto = 0',
    'action = "set"\nto = 1',
    'action = "step"\nstep_db = -2',
)
USES = ('use = ["move"]', 'use = ["show"]', 'use = ["move", "show"]')
MORE = (
    "",
    'long_press = { parameter = "silence all" }',
    'long_press = { parameter = "silence all", action = "set", to = 0 }',
    'double_press = { parameter = "bus mute", bus = 1 }',
    'long_press = { parameter = "freeze" }',
)


def entry(parameter: Parameter, form: str, action: str, use: str, more: str) -> str:
    """An entry at an address that says what it is about; not every one can be."""
    fields = FIELDS[KINDS[parameter][1]]
    name = parameter.replace(" ", "-")
    lines = [f'parameter = "{parameter}"', f'address = "/{name}{fields}"', form, action, use, more]
    return "\n".join(["[[osc]]", *[line for line in lines if line]]) + "\n"


def _can_be(text: str) -> bool:
    try:
        parse_map(HEAD + text, "any.toml")
    except MapError:
        return False
    return True


_EACH_KIND = {
    Kind.LEVEL: Parameter.SEND_LEVEL,
    Kind.SWITCH: Parameter.BUS_MUTE,
    Kind.TAP: Parameter.SEND_TAP,
    Kind.PAN: Parameter.SEND_PAN,
    Kind.SOUND: Parameter.SOUND_LEVEL,
}


def _shapes() -> dict[Kind, list[tuple[str, str, str, str]]]:
    """Forms, actions, uses and more that go together, by what is moved."""
    found: dict[Kind, list[tuple[str, str, str, str]]] = {kind: [] for kind in _EACH_KIND}
    for kind, form, action in product(_EACH_KIND, FORMS, ACTIONS):
        parameter = _EACH_KIND[kind]
        if not _can_be(entry(parameter, form, action, USES[0], "")):
            continue
        pressed = "toggle" in action or "set" in action
        for more in MORE if pressed else ("",):
            if not more or _can_be(entry(parameter, form, action, USES[0], more)):
                found[kind] += [(form, action, use, more) for use in USES]
    return found


_SHAPES = _shapes()


@st.composite
def maps(draw: st.DrawFn) -> str:
    """A map of one to six entries, each about another parameter."""
    about = draw(st.lists(st.sampled_from([*Parameter]), min_size=1, max_size=6, unique=True))
    shapes = [draw(st.sampled_from(_SHAPES[KINDS[one][0]])) for one in about]
    text = HEAD + "".join(entry(p, *shape) for p, shape in zip(about, shapes, strict=True))
    try:
        parse_map(text, "any.toml")
    except MapError:
        assume(False)
    return text


BUSES = ("kit", "front")
RIG = """
[rig]
name = "Ferry Lane"
[limits]
send_ceiling_db = 6
master_ceiling_db = 5
[presets]
order = ["house", "reel"]
[[channel]]
id = "kick"
console = 1
[[channel]]
id = "voice"
console = 2
[[channel]]
id = "bass"
console = 3
[[bus]]
id = "kit"
console = 1
start_db = -90
send_ceiling_db = {kit_send}
[[bus]]
id = "front"
console = 2
start_db = -90
master_ceiling_db = {front_master}
[[performer]]
id = "ines"
buses = [{names}]
may_touch = [{may}]
send_ceiling_db = {send}
master_ceiling_db = {master}
[[performer]]
id = "maud"
buses = ["front"]
[[group]]
id = "others"
bus = "kit"
channels = ["voice", "bass"]
[[controller]]
id = "any"
hands = "{hands}"
map = "any.toml"
listen = "udp://:9311"
source = "192.0.2.20"
[console]
map = "console.toml"
send = "udp://192.0.2.10:9000"
listen = "udp://:9001"
"""
OPEN = [p for p in Parameter if KINDS[p][0] is not Kind.SOUND]


@st.composite
def rigs(draw: st.DrawFn) -> str:
    """A rig of two performers with rights and ceilings of chance, any.toml in one's hands."""
    buses = draw(st.lists(st.sampled_from(BUSES), min_size=1, max_size=2, unique=True))
    touch = draw(st.lists(st.sampled_from(OPEN), max_size=8, unique=True))
    hands = draw(st.sampled_from(("ines", "maud", "engineer")))
    ceilings = [draw(st.sampled_from((-70.0, -20.0, -3.5, 0.0, 5.0))) for _ in range(4)]
    return RIG.format(
        names=", ".join(f'"{one}"' for one in buses),
        may=", ".join(f'"{one}"' for one in touch),
        hands=hands,
        **dict(zip(("kit_send", "front_master", "send", "master"), ceilings, strict=True)),
    )


def addresses(map_text: str) -> list[str]:
    """Every address that an entry of a map may come to, and some that it may not."""
    found = set()
    for parameter in Parameter:
        name = "/" + parameter.replace(" ", "-")
        if name in map_text:
            found |= {name}
            for first, second in product(range(5), range(5)):
                found |= {f"{name}/{first}", f"{name}/{first}/{second}"}
    return sorted(found)


SAYINGS: dict[str, tuple[tuple[str, object], ...]] = {
    "f": (("f", 1.0), ("f", 0.0), ("f", 0.5)),
    "i": (("i", 1), ("i", 0), ("i", 100)),
    "T": (("T", True), ("F", False)),
    "s": (("s", "yes"), ("s", "no")),
}


def gestures(address: str) -> list[list[bytes]]:
    """What hands could do at an address: say one thing, two, or the first one again."""
    plain = osc.encode(address)
    found = [[plain], [plain, plain]]
    for said in SAYINGS.values():
        datas = [osc.encode(address, tag, (value,)) for tag, value in said]
        found += [[one] for one in datas]
        found += [[one, other] for one, other in product(datas, datas)]
        found += [[one, other, one] for one, other in product(datas, datas)]
    return found
