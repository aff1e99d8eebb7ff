"""What a running bridge says in its log about what comes in. I/O."""

from __future__ import annotations

import logging
from collections.abc import Callable

from bridge.house import House
from bridge.maps.console import ConsoleWords
from bridge.maps.controller import ControllerWords
from bridge.mix.gesture import Verdict, explain
from bridge.rig.rig import Rig

log = logging.getLogger("foldbridge")

SAME_VERDICT_S = 1.0
"""A control at its ceiling is refused with every message: its line is logged once a second."""

VERDICTS_MAX = 1000
"""Different verdicts remembered for that."""


class Telling:
    """The log lines of a bridge: verdicts, messages that mean nothing, doses.

    Args:
        rig: What was declared.
        clock: This moment on the bridge's clock, s.
    """

    def __init__(self, rig: Rig, clock: Callable[[], float]) -> None:
        self._rig, self._clock = rig, clock
        self._logged: dict[tuple[str, int, str], float] = {}
        self._clear_so_far: dict[str, tuple[ConsoleWords | ControllerWords, str]] = {}

    def listen(self, house: House) -> None:
        """Hear everybody who may say something that means nothing, with their map."""
        declared = self._rig.file.controller
        self._clear_so_far = {
            one.name: (one.words, declared[number].map)
            for number, one in enumerate(house.controllers.all)
        }
        self._clear_so_far["console"] = (house.console.words, self._rig.file.console.map)

    def verdict(self, controller: str, verdict: Verdict) -> None:
        """Log a verdict, unless the same one was logged just now."""
        now_s = self._clock()
        key = (controller, verdict.slot, verdict.rule)
        if now_s - self._logged.get(key, -SAME_VERDICT_S) < SAME_VERDICT_S:
            return
        if len(self._logged) > VERDICTS_MAX:
            self._logged.clear()
        self._logged[key] = now_s
        log.info("%s: %s", controller, explain(verdict, self._rig))

    def look(self, house: House) -> None:
        """Log what has come up since the last look."""
        self._tell_rubbish()
        self._tell_notices(house)

    def _tell_rubbish(self) -> None:
        """Log the first message of each that means nothing: a wrong map is silent otherwise."""
        for name, (words, map_name) in list(self._clear_so_far.items()):
            if words.unknown:
                del self._clear_so_far[name]
                log.warning("%s: %s means nothing in %s (from now on only counted)",
                            name, words.last_unknown, map_name)  # fmt: skip

    @staticmethod
    def _tell_notices(house: House) -> None:
        """Log what the ears have had, at the doses that the rig declares."""
        stage = house.engine.stage
        if stage is not None and stage.listening.notices:
            for text in stage.listening.notices:
                log.warning("%s", text)
            stage.listening.notices.clear()
