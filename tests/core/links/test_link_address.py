"""Addresses as people write them."""

from __future__ import annotations

import pytest

from bridge.errors import LinkError
from bridge.links.address import MidiAddress, SocketAddress, parse_address, plain_host

WHERE = "ferry-lane.toml:31 console.osc"
FORMS = "udp://host:port, tcp://host:port?framing=size|slip, midi:Name* or midi-virtual:Name"

GOOD = [
    ("udp://192.0.2.10:9000", SocketAddress("udp", "192.0.2.10", 9000)),
    ("udp://[::1]:9000", SocketAddress("udp", "::1", 9000)),
    ("udp://[fe80::1%eth0]:65535", SocketAddress("udp", "fe80::1%eth0", 65535)),
    ("udp://monitor-desk.local:1", SocketAddress("udp", "monitor-desk.local", 1)),
    ("tcp://192.0.2.10:9000", SocketAddress("tcp", "192.0.2.10", 9000, "size")),
    ("tcp://192.0.2.10:9000?framing=size", SocketAddress("tcp", "192.0.2.10", 9000, "size")),
    ("tcp://[::1]:9000?framing=slip", SocketAddress("tcp", "::1", 9000, "slip")),
    (" udp://192.0.2.10:9000 ", SocketAddress("udp", "192.0.2.10", 9000)),
    ("midi:Foot*", MidiAddress("Foot*")),
    ("midi:Foot board:Pedals 1", MidiAddress("Foot board:Pedals 1")),
    ("midi:Knobs*@2", MidiAddress("Knobs*", 2)),
    ("midi:Knobs #2?", MidiAddress("Knobs #2?")),
    ("midi-virtual:Ferry Lane", MidiAddress("Ferry Lane", virtual=True)),
]

BAD = [
    ("", "found ", FORMS),
    ("192.0.2.10:9000", "found 192.0.2.10:9000", FORMS),
    ("udp://192.0.2.10", "found udp://192.0.2.10", FORMS),
    ("udp:/192.0.2.10:9000", "found udp:/192.0.2.10:9000", FORMS),
    (
        "udp://::1:9000",
        "found udp://::1:9000",
        "an IPv6 address in brackets, as in udp://[::1]:9000",
    ),
    ("udp://[192.0.2.10]:9000", "found [192.0.2.10]", "an IPv6 address between brackets"),
    ("udp://192.0.2.10:0", "found port 0", "a port from 1 to 65535"),
    ("udp://192.0.2.10:65536", "found port 65536", "a port from 1 to 65535"),
    ("udp://:9000", "found udp://:9000", "the other end's host, as in udp://192.0.2.10:9000"),
    ("udp://[]:9000", "found []", "an IPv6 address between brackets"),
    (
        "udp://192.0.2.10:9000?framing=slip",
        "found '?framing=slip'",
        "nothing after the port of a udp address",
    ),
    (
        "tcp://192.0.2.10:9000?framing=fast",
        "found '?framing=fast'",
        "?framing=size or ?framing=slip",
    ),
    ("tcp://192.0.2.10:9000?slip", "found '?slip'", "?framing=size or ?framing=slip"),
    ("midi:", "found midi:", "a port's name, as in midi:Foot board"),
    ("midi: @2", "found midi: @2", "a port's name, as in midi:Foot board"),
    (
        "midi:Knobs@0",
        "found '@0'",
        "@1 for the first port that matches, @2 for the second",
    ),
    (
        "midi-virtual:Ferry*",
        "found midi-virtual:Ferry*",
        "a plain name without wildcards and number",
    ),
]


@pytest.mark.parametrize(("text", "expected"), GOOD)
def test_a_good_address_is_read_into_its_parts(
    text: str, expected: SocketAddress | MidiAddress
) -> None:
    assert parse_address(text, WHERE) == expected


@pytest.mark.parametrize(("text", "found", "expected"), BAD)
def test_a_bad_address_says_where_what_and_what_instead(
    text: str, found: str, expected: str
) -> None:
    with pytest.raises(LinkError) as caught:
        parse_address(text, WHERE)
    assert str(caught.value) == f"{WHERE}: {found}; expected {expected}"


def test_only_a_listener_may_leave_the_host_out() -> None:
    assert parse_address("udp://:9001", WHERE, listen=True) == SocketAddress("udp", "", 9001)


@pytest.mark.parametrize(
    ("host", "plain"),
    [
        ("::ffff:192.0.2.7", "192.0.2.7"),  # RFC 4291, 2.5.5.2: IPv4-mapped
        ("::FFFF:c000:207", "192.0.2.7"),
        ("192.0.2.7", "192.0.2.7"),
        ("0:0:0:0:0:0:0:1", "::1"),  # RFC 5952, 4.2: the short spelling
        ("FE80::1%eth0", "fe80::1"),
        ("Monitor-Desk", "monitor-desk"),
    ],
)
def test_each_host_has_one_spelling(host: str, plain: str) -> None:
    assert plain_host(host) == plain
