"""What a rig listens on, and which parts of the bridge want one port. I/O."""

from __future__ import annotations

import asyncio
import json
import socket
from pathlib import Path

import pytest
from support.checked import FEET, MAPPINGS, RIG, Bench
from support.paged import SECRET

from bridge import cli
from bridge.doors import Door, clashes, doors, is_loopback
from bridge.errors import RigError
from bridge.links.base import Batch
from bridge.rig.rig import parse_rig
from bridge.roads import Roads

PAGES = "[pages]\n"
OPEN_PAGES = f'[pages]\nlisten = "0.0.0.0:8780"\nopen_to_network = true\nengineer = "{SECRET}"\n'
DISCOVERY = '[discovery]\ncontroller = "ines-tablet"\n'
HEALTH = '[health]\nlisten = "127.0.0.1:9780"\n'
EVERYTHING = PAGES + DISCOVERY + HEALTH
CONSOLE = 'send = "udp://192.0.2.10:9000"\nlisten = "udp://:9001"'


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


def doors_of(*changes: tuple[str, str], more: str = "") -> tuple[Door, ...]:
    text = RIG
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    return doors(parse_rig(text + more, "house.toml"))


def in_short(door: Door) -> tuple[str, str, int, str, str]:
    transport, place = door.place.transport, door.place
    return transport, place.host, place.port, "+".join(door.users), door.key


# -- the list -----------------------------------------------------------------------------------


def test_everything_that_a_rig_listens_on_is_in_the_list() -> None:
    assert [in_short(door) for door in doors_of(more=EVERYTHING)] == [
        ("udp", "", 9001, "console", "console.listen"),
        ("udp", "", 9371, "ines-tablet", "controller.0.listen"),
        ("udp", "", 9370, "ruth-page", "controller.1.listen"),
        ("tcp", "127.0.0.1", 9372, "watchers", "daemon.watch"),
        ("tcp", "127.0.0.1", 8780, "pages", "pages.listen"),
        ("tcp", "127.0.0.1", 8781, "discovery", "discovery.listen"),
        ("udp", "", 5353, "announcements", "discovery.announce"),
        ("tcp", "127.0.0.1", 9780, "health", "health.listen"),
    ]


def test_what_is_not_asked_for_is_not_open() -> None:
    alone = RIG[: RIG.index("[[controller]]")] + RIG[RIG.index("[console]") :]
    bare = alone[: alone.index("[daemon]")]
    (console,) = doors(parse_rig(bare, "house.toml"))
    assert console.users == ("console",)
    quiet = DISCOVERY + "announce = false\n"
    assert "announcements" not in {d.users[0] for d in doors_of(more=quiet)}


def test_controllers_that_share_a_port_are_one_door_and_those_on_midi_none() -> None:
    shared = ('listen = "udp://:9370"', 'listen = "udp://:9371" ')
    users = [door.users for door in doors_of(shared, more=FEET)]
    assert ("ines-tablet", "ruth-page") in users
    assert not any("ines-feet" in each for each in users)


@pytest.mark.parametrize(
    ("console", "expected"),
    [
        ('send = "udp://192.0.2.10:9000"', [("udp", "0.0.0.0", 0)]),
        ('send = "udp://[2001:db8::1]:9000"', [("udp", "::", 0)]),
        ('send = "tcp://192.0.2.10:9000"\nlisten = "udp://:9001"', []),
        ('midi = "Desk*"\nlisten = "udp://:9001"', []),
        (CONSOLE, [("udp", "", 9001)]),
    ],
)
def test_a_console_is_heard_on_a_port_of_its_own_on_udp_alone(
    console: str, expected: list[tuple[str, str, int]]
) -> None:
    found = [in_short(d) for d in doors_of((CONSOLE, console)) if d.users == ("console",)]
    assert [each[:3] for each in found] == expected


@pytest.mark.parametrize(
    ("host", "here"),
    [
        ("127.0.0.1", True), ("127.9.9.9", True), ("::1", True), ("localhost", True),
        ("LocalHost", True), ("::ffff:127.0.0.1", True), ("", False), ("0.0.0.0", False),
        ("::", False), ("192.0.2.5", False), ("stage", False), ("localhost.example", False),
    ],
)  # fmt: skip
def test_only_what_is_this_machine_for_certain_counts_as_this_machine(
    host: str, here: bool
) -> None:
    assert is_loopback(host) is here


# -- two at one port ----------------------------------------------------------------------------

ON_TCP = ('listen = "udp://:9371"', 'listen = "tcp://:{}"')
NO_REPLY = ('reply = "udp://192.0.2.21:9471"\n', "")


@pytest.mark.parametrize(
    ("more", "key", "taker"),
    [
        (PAGES + HEALTH.replace("9780", "8780"), "health.listen", "pages.listen"),
        (PAGES + DISCOVERY + 'listen = "127.0.0.1:8780"\n', "discovery.listen", "pages.listen"),
        (DISCOVERY + HEALTH.replace("9780", "8781"), "health.listen", "discovery.listen"),
        (HEALTH.replace("9780", "9372"), "health.listen", "daemon.watch"),
        (PAGES + HEALTH.replace("127.0.0.1:9780", "localhost:8780"), "health.listen", "pages."),
        (OPEN_PAGES + HEALTH.replace("127.0.0.1:9780", "[::1]:8780"), "health.listen", "pages."),
    ],
)
def test_two_parts_of_the_bridge_at_one_port_are_an_error(
    bench: Bench, more: str, key: str, taker: str
) -> None:
    (fault,) = bench.faults(more=more)
    assert f" {key}: found " in fault and f" at {taker}" in fault
    assert fault.endswith("takes, expected a port of its own")


@pytest.mark.parametrize(
    ("port", "more", "key"),
    [
        (8780, PAGES, "pages.listen"), (9780, HEALTH, "health.listen"),
        (8781, DISCOVERY, "discovery.listen"),
    ],
)  # fmt: skip
def test_a_controller_on_tcp_at_the_port_of_something_else_is_an_error(
    bench: Bench, port: int, more: str, key: str
) -> None:
    old, new = ON_TCP
    (fault,) = bench.faults((old, new.format(port)), NO_REPLY, more=more)
    assert f" {key}: found " in fault
    assert f"which 'tcp://:{port}' at controller.0.listen takes" in fault


def test_a_controller_at_the_port_of_announcements_is_an_error(bench: Bench) -> None:
    mdns = ('listen = "udp://:9370"', 'listen = "udp://127.0.0.1:5353"')
    (fault,) = bench.faults(mdns, more=DISCOVERY)
    assert "discovery.announce: found 'udp port 5353', which 'udp://127.0.0.1:5353' at" in fault
    assert bench.check(mdns, more=DISCOVERY + "announce = false\n").warnings == []


@pytest.mark.parametrize(
    "more",
    [
        EVERYTHING,
        PAGES + 'listen = "127.0.0.1:0"\n' + HEALTH.replace("9780", "0"),
        PAGES + HEALTH.replace("127.0.0.1:9780", "127.0.0.2:8780"),
        PAGES + 'listen = "127.0.0.1:9371"\n',
        PAGES + HEALTH.replace("127.0.0.1:9780", "[::1]:8780"),
    ],
    ids=["defaults", "free ones", "two addresses", "udp and tcp", "two kinds"],
)
def test_ports_that_are_not_the_same_one_are_fine(bench: Bench, more: str) -> None:
    assert bench.warnings(more=more) == []


def test_every_pair_is_told(bench: Bench) -> None:
    more = PAGES + DISCOVERY + 'listen = "127.0.0.1:8780"\n' + HEALTH.replace("9780", "8780")
    assert len(bench.faults(more=more)) == 3


def test_a_listen_that_a_tcp_console_does_not_use_takes_no_port(bench: Bench) -> None:
    console = (CONSOLE, 'send = "tcp://192.0.2.10:9000"\nlisten = "udp://:9370"')
    (warning,) = bench.warnings(console)
    assert "console.listen: is not used" in warning


# -- the run ------------------------------------------------------------------------------------


def test_a_bridge_does_not_start_with_two_at_one_port(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    bench.path.write_text(RIG + PAGES + HEALTH.replace("9780", "8780"), encoding="utf-8")
    assert cli.main(["run", str(bench.path)]) == 2
    said = capsys.readouterr().err
    where = f"house.toml:{bench.line(':8780')} health.listen"
    assert f"{where}: found '127.0.0.1:8780', which '127.0.0.1:8780' at pages.listen" in said
    assert "more: foldbridge explain rig-address-taken" in said


def test_nothing_is_made_for_a_rig_with_two_at_one_port() -> None:
    rig = parse_rig(RIG.replace("udp://:9370", "udp://:9001"), "house.toml")
    with pytest.raises(RigError) as caught:
        Roads(rig, lambda batch: None, lambda number, batch: None, lambda name, state: None)
    assert list(map(str, caught.value.faults)) == list(map(str, clashes(rig)))
    assert "controller.1.listen: found 'udp://:9001', which 'udp://:9001' at console." in str(
        caught.value
    )


def free_port() -> int:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        return int(taken.getsockname()[1])


def test_who_may_speak_by_udp_may_not_connect_by_tcp_at_the_same_number() -> None:
    port = free_port()
    text = RIG.replace("udp://:9371", f"udp://127.0.0.1:{port}").replace("192.0.2.21", "127.0.0.1")
    text = text.replace("udp://:9370", f"tcp://127.0.0.1:{port}").replace("127.0.0.1:9471", "x:1")
    text = text.replace('reply = "udp://x:1"\n', "")
    heard: list[Batch] = []
    roads = Roads(parse_rig(text, "house.toml"), heard.append, lambda number, batch:
                  heard.append(batch), lambda name, state: None)  # fmt: skip

    async def knock() -> int:
        door = roads.links[1]
        assert door.name == f"tcp:{port}"
        await door.open()
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(b"\0\0\0\x08/a\0\0,\0\0\0")
        try:
            ended = await asyncio.wait_for(reader.read(), 5.0)
        except ConnectionResetError:
            ended = b""
        assert ended == b""
        writer.close()
        await door.close()
        return door.refused

    assert asyncio.run(knock()) == 1 and heard == []


# -- what people see ----------------------------------------------------------------------------


def test_the_check_lists_what_listens_and_who_reaches_it(bench: Bench) -> None:
    more = OPEN_PAGES + DISCOVERY + 'listen = "[::1]:8781"\nannounce = false\n' + FEET
    lines = bench.check((CONSOLE, 'send = "udp://192.0.2.10:9000"'), more=more).text().splitlines()
    start = next(n for n, line in enumerate(lines) if line.startswith("listens on"))
    found = lines[start : lines.index("", start)]
    assert [line.split("  ")[0] for line in found] == [
        "listens on", "udp *:(a free one)", "udp *:9371", "udp *:9370", "tcp 127.0.0.1:9372",
        "tcp *:8780", "tcp [::1]:8781",
    ]  # fmt: skip
    assert found[0].split("  ")[-1].strip() == "reachable from"
    assert [line.rpartition("  ")[2].strip() for line in found[1:]] == [
        "the network", "the network", "the network", "this machine only", "the network",
        "this machine only",
    ]  # fmt: skip
    assert [line.split()[2] for line in found[2:4]] == ["ines-tablet", "ruth-page"]


def test_the_data_lists_the_same(bench: Bench) -> None:
    data = json.loads(json.dumps(bench.check(more=HEALTH).data()))
    assert data["listens"][1] == {
        "protocol": "udp", "host": "", "port": 9371, "for": ["ines-tablet"],
        "key": "controller.0.listen", "reachable_from": "the network",
    }  # fmt: skip
    assert data["listens"][-1]["for"] == ["health"]
    assert data["listens"][-1]["reachable_from"] == "this machine only"


def test_a_rig_that_listens_nowhere_has_no_list(bench: Bench) -> None:
    whole = RIG[RIG.index("[[controller]]") : RIG.index("[console]")]
    report = bench.check(
        (whole, FEET.lstrip("\n")),
        ("console-osc-position", "console-midi-7bit"),
        (CONSOLE, 'midi = "Desk*"\nreadback = false'),
        ('[daemon]\nwatch = "tcp://127.0.0.1:9372"\n', ""),
    )
    assert "listens on" not in report.text() and report.data()["listens"] == []


@pytest.mark.parametrize("host", ["", "0.0.0.0", "192.0.2.5", "stage"])
def test_a_live_view_that_the_network_reaches_is_warned(bench: Bench, host: str) -> None:
    (warning,) = bench.warnings(("tcp://127.0.0.1:9372", f"tcp://{host}:9372"))
    assert warning.endswith(
        f"daemon.watch: whoever reaches tcp://{host}:9372 may read the whole mix; "
        "tcp://127.0.0.1:9372, or a network of your own"
    )


@pytest.mark.parametrize("path", sorted((MAPPINGS / "rigs").glob("*.toml")), ids=lambda p: p.name)
def test_the_rigs_to_copy_from_have_no_two_at_one_port(path: Path) -> None:
    rig = parse_rig(path.read_text(encoding="utf-8"), str(path))
    assert doors(rig) and clashes(rig) == []
