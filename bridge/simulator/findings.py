"""What the witness found, as data and in words. Pure."""

from __future__ import annotations

from dataclasses import dataclass

BREACHES_KEPT = 200
"""Breaches kept with their text; the others are counted."""
PROMISES = (
    "ceiling", "slew", "order", "settled", "budget", "fault", "feedback", "exposure", "amplifier",
    "recording",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Breach:
    """A broken promise: which one, when, s, about what, and in words what was found."""

    promise: str
    at_s: float
    slot: int
    name: str
    text: str

    def __str__(self) -> str:
        return f"{self.at_s:.3f} s, {self.promise}: {self.name}: {self.text}"


@dataclass(frozen=True, slots=True)
class Findings:
    """What the witness says.

    Attributes:
        breaches: The first ``BREACHES_KEPT``, in order of time.
        counts: How many breaches, a promise.
        words: Words that the console received.
        late: Words that a newer one about the same slot had overtaken, or that came twice.
        crossed: Words that crossed a move of the desk, judged as if it had not happened.
        rise_max_db: The largest rise of one word.
        span_s: From the header to the last line.
        link_bytes: Bytes that the link carried; 0 where none were recorded.
        unsettled: Whether nobody ever said what the console should hold in the end.
        past_s: How long the stage stood past its margin, by the desk's own doing, s.
        past_db: By how much at most, dB.
    """

    breaches: tuple[Breach, ...]
    counts: dict[str, int]
    words: int
    late: int
    crossed: int
    rise_max_db: float
    span_s: float
    link_bytes: int
    unsettled: bool
    past_s: float = 0.0
    past_db: float = 0.0

    @property
    def ok(self) -> bool:
        """Whether every promise was kept."""
        return not self.counts

    @property
    def first(self) -> Breach | None:
        """The first breach."""
        return self.breaches[0] if self.breaches else None

    def text(self) -> str:
        """The findings for people."""
        head = (
            f"{self.words} words in {self.span_s:.1f} s, {self.late} overtaken or twice, "
            f"{self.crossed} crossed the desk's moves, largest rise {self.rise_max_db:.2f} dB"
        )
        if self.past_db:
            head += (
                f"; past the margin of the stage for {self.past_s:.1f} s, "
                f"by up to {self.past_db:.2f} dB"
            )
        if self.ok:
            return f"every promise kept: {head}"
        counted = ", ".join(f"{name} {n}" for name, n in self.counts.items())
        shown = [str(breach) for breach in self.breaches[:10]]
        return "\n".join([f"BROKEN: {counted} ({head})", *shown])
