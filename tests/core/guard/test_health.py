"""Health in grades and words, and figures as OpenMetrics text."""

from __future__ import annotations

import dataclasses
import json
import math
from dataclasses import dataclass, replace
from typing import Any

import pytest
from guarded import Guarded
from openmetrics import read

from bridge.guard.facts import Facts, LinkFacts, Run, facts
from bridge.guard.health import DEGRADED, DOWN, GRADES, OK, document, judged, status_line
from bridge.guard.metrics import FAMILIES, escaped, text
from bridge.guard.stall import Lateness
from bridge.rig.rig import parse_rig


@dataclass
class FakeLink:
    name: str
    state: str = "open"
    received: int = 12
    sent: int = 34
    dropped: int = 0
    refused: int = 0


def well() -> Facts:
    guarded = Guarded()
    links = [FakeLink("udp:9311"), FakeLink("console")]
    return facts(guarded.house, links, Run("0.1.0", since_unix_s=1.7e9, up_s=20.0))


def changed(found: Facts, **named: Any) -> Facts:
    """Facts with something else in them; names of ``Run`` go there."""
    of_run = {field.name for field in dataclasses.fields(Run)}
    run = replace(found.run, **{key: named[key] for key in named if key in of_run})
    return replace(found, run=run, **{key: named[key] for key in named if key not in of_run})


def test_a_started_house_with_open_links_is_ok() -> None:
    found = well()
    assert judged(found) == (OK, [])
    assert status_line(found) == "ok: console live, 1 of 3 buses open"


GONE = (LinkFacts("console", "lost", 0, 0, 0, 0),)
BOARD = (LinkFacts("foot-board", "lost", 0, 0, 0, 0), LinkFacts("console", "open", 0, 0, 0, 0))
CASES: list[tuple[dict[str, Any], int, str]] = [
    ({"links": GONE}, DOWN, "the link to the console is lost, so nothing reaches it"),
    ({"console": "lost"}, DOWN, "the console does not answer, so nothing may rise"),
    ({"failing": True, "last_fault": "KeyError: 3"}, DOWN,
     "the bridge fails whenever it should act: KeyError: 3"),
    ({"console": "reading", "unanswered": 7}, DEGRADED,
     "the console is being read; 7 questions are not answered yet"),
    ({"started": False}, DEGRADED, "the start is not over: sends are going out"),
    ({"links": BOARD}, DEGRADED, "foot-board was lost"),
    ({"troubled": {"pedal": "it floods"}}, DEGRADED, "pedal: it floods"),
    ({"stalled_lately": True, "longest_stall_s": 1.5}, DEGRADED,
     "the bridge stood still lately; 1.50 s at most since the start"),
    ({"failed_lately": True, "last_fault": "KeyError: 3"}, DEGRADED,
     "the bridge failed to act lately: KeyError: 3"),
    ({"held_back": 2}, DEGRADED, "the last check held back 2 words, which is a defect: report it"),
    ({"over": True}, DEGRADED,
     "the desk took the stage past its margin, so nothing may rise there"),
    ({"journal": "the disk is full"}, DEGRADED, "the journal: the disk is full"),
]  # fmt: skip


@pytest.mark.parametrize(("named", "grade", "reason"), CASES)
def test_each_trouble_has_its_grade_and_its_words(
    named: dict[str, Any], grade: int, reason: str
) -> None:
    found = changed(well(), **named)
    assert judged(found) == (grade, [reason])
    assert document(found)["status"] == GRADES[grade]
    assert reason in status_line(found)


def test_the_worst_trouble_counts_and_every_one_is_told() -> None:
    found = changed(well(), console="lost", links=BOARD, over=True)
    grade, reasons = judged(found)
    assert grade == DOWN and len(reasons) == 3


def test_the_document_is_json_without_infinities_and_says_no_level() -> None:
    found = document(well())
    assert json.loads(json.dumps(found, allow_nan=False)) == found
    assert {"status", "reasons", "version", "rig", "since_unix_s", "returned", "console", "links",
            "buses", "floods", "stalls", "faults", "memory_bytes"} <= set(found)  # fmt: skip
    assert not any("db" in key for key in found)


def test_the_figures_are_open_metrics_and_every_family_stands_in_them() -> None:
    families = read(text(well()))
    assert list(families) == [f"foldbridge_{family.name}" for family in FAMILIES]
    kinds = {name: kind for name, (kind, _) in families.items()}
    assert kinds["foldbridge_wishes"] == "counter"
    assert families["foldbridge_buses_open"][1] == {"foldbridge_buses_open": 1.0}
    assert families["foldbridge_link_received"][1] == {
        'foldbridge_link_received_total{link="udp:9311"}': 12.0,
        'foldbridge_link_received_total{link="console"}': 12.0,
    }
    states = families["foldbridge_health"][1]
    assert states['foldbridge_health{foldbridge_health="ok"}'] == 1 and sum(states.values()) == 1


def test_late_turns_are_counted_in_classes_that_hold_those_below() -> None:
    lateness = Lateness()
    for late_s in (-0.001, 0.0, 0.0009, 0.001, 0.0011, 0.02, 0.3, 7.0):
        lateness.add(late_s)
    found = changed(well(), late=tuple(lateness.counts), late_sum_s=lateness.sum_s)
    samples = read(text(found))["foldbridge_loop_late_seconds"][1]
    name = "foldbridge_loop_late_seconds"
    assert samples[f'{name}_bucket{{le="0.001"}}'] == 4  # a bound belongs to its own class
    assert samples[f'{name}_bucket{{le="0.002"}}'] == 5
    assert samples[f'{name}_bucket{{le="0.02"}}'] == 6
    assert samples[f'{name}_bucket{{le="0.25"}}'] == 6
    assert samples[f'{name}_bucket{{le="1.0"}}'] == 7
    assert samples[f'{name}_bucket{{le="+Inf"}}'] == samples[f"{name}_count"] == 8
    assert samples[f"{name}_sum"] == pytest.approx(7.323)


def test_names_with_quotes_and_line_breaks_stay_inside_their_label() -> None:
    assert escaped('a"b\\c\nd') == 'a\\"b\\\\c\\nd'
    found = changed(well(), rig='Ferry "Lane"\\\n# EOF')
    read(text(found))


BAD = (
    "x 1\n",
    "# TYPE a counter\na 1\n# EOF\n",
    "# TYPE a gauge\na 1\na 1\n# EOF\n",
    "a 1\n\n# EOF\n",
    "# TYPE a gauge\n# UNIT a bytes\na 1\n# EOF\n",
    '# TYPE a histogram\na_bucket{le="1.0"} 2\na_bucket{le="+Inf"} 1\na_count 1\na_sum 1\n# EOF\n',
    '# TYPE a histogram\na_bucket{le="1.0"} 1\na_count 1\na_sum 1\n# EOF\n',
)


@pytest.mark.parametrize("bad", BAD)
def test_the_reader_of_this_test_is_strict(bad: str) -> None:
    with pytest.raises((ValueError, KeyError)):
        read(bad)


def test_figures_follow_what_the_rig_declares_and_not_what_comes_in() -> None:
    guarded = Guarded()
    links = [FakeLink("console")]
    before = text(facts(guarded.house, links, Run("0.1.0"))).count("\n")
    for number in range(2000):
        guarded.say(0, f"/rubbish/{number}")
    found = facts(guarded.house, links, Run("0.1.0"))
    assert text(found).count("\n") == before + 1  # one speaker of rubbish
    assert found.unknown == {"ines-tablet": 2000}


RIG = """
[rig]
name = "Ferry Lane"
[[channel]]
id = "voice"
console = 1
[[bus]]
id = "front"
console = 1
[console]
map = "none.toml"
send = "udp://192.0.2.10:9000"
[health]
"""


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ('listen = "192.0.2.5:9780"', "expected an address of this machine alone"),
        ('listen = "0.0.0.0:9780"', "expected an address of this machine alone"),
        ('listen = "somewhere"', "expected host:port in numbers, 127.0.0.1:9780"),
        ('listen = "127.0.0.1:99999"', "expected host:port in numbers, 127.0.0.1:9780"),
        ("stall_s = 0.05", "0.15"),
        ("flood_per_s = nan", "flood_per_s"),
    ],
)
def test_a_rig_that_says_what_cannot_be_is_told_where_and_what_instead(
    line: str, said: str
) -> None:
    with pytest.raises(Exception, match=r"house\.toml:14 health") as caught:
        parse_rig(RIG + line, "house.toml")
    assert said in str(caught.value)


def test_without_the_table_nothing_listens_and_the_bounds_are_the_usual_ones() -> None:
    declared = parse_rig(RIG.removesuffix("[health]\n"), "house.toml").file.health
    assert declared.place is None
    assert (declared.stall_s, declared.flood_per_s) == (0.25, 1000.0)
    listening = parse_rig(RIG + 'listen = "[::1]:9780"', "house.toml").file.health
    assert listening.place == ("::1", 9780) and math.isfinite(listening.stall_s)
