"""Acoustic gain of one microphone and one loudspeaker: what can be had, what is needed. Pure.

The four distances: ``ds_m`` talker to microphone, ``d0_m`` talker to listener, ``d1_m`` microphone
to loudspeaker, ``d2_m`` loudspeaker to listener; metres, or any one unit for all. Sources: Eargle,
Sound System Design Reference Manual (1999) chapters 4 and 6; Ballou (ed.), Handbook for Sound
Engineers 4th ed.; Long, Architectural Acoustics 2nd ed. section 18. Planning values: a room is
measured before it is trusted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from bridge.stage.checks import finite, not_negative, positive

MARGINS_DB = {
    "usual": 6.0,
    "equalised": 10.0,
    "not equalised": 12.0,
    "carefully equalised": 6.0,
}
"""Feedback stability margins by convention, dB. "usual": Eargle 1999 p. 4-3 and Burg, Romney,
Schwartz, Digital Sound & Music ch. 4; the others as Long, section 18, gives them."""

USUAL_MARGIN_DB = MARGINS_DB["usual"]

USABLE_GAIN_DB = 12.0
"""Rule of thumb: less potential gain than this, before any margin, makes no usable system (Burg,
Romney, Schwartz, Digital Sound & Music ch. 4)."""

REVERBERATION_S_PER_M = 0.161
"""Sabine's constant: absorption in m^2 is 0.161 V / T."""


@dataclass(frozen=True, slots=True)
class Path:
    """The four distances of one microphone, one loudspeaker, one talker and one listener.

    Attributes:
        d0_m: Talker to listener, m, above 0.
        ds_m: Talker to microphone, m, above 0.
        d1_m: Microphone to loudspeaker, m, above 0.
        d2_m: Loudspeaker to listener, m, above 0.
    """

    d0_m: float
    ds_m: float
    d1_m: float
    d2_m: float

    def __post_init__(self) -> None:
        positive(self.d0_m, "talker to listener, m")
        positive(self.ds_m, "talker to microphone, m")
        positive(self.d1_m, "microphone to loudspeaker, m")
        positive(self.d2_m, "loudspeaker to listener, m")

    def indoors(self, critical_m: float) -> Path:
        """The same path in a room: every distance held below the critical one (``held_m``)."""
        return Path(
            held_m(self.d0_m, critical_m),
            held_m(self.ds_m, critical_m),
            held_m(self.d1_m, critical_m),
            held_m(self.d2_m, critical_m),
        )


@dataclass(frozen=True, slots=True)
class GainVerdict:
    """Whether the gain that can be had covers the gain that is needed.

    Attributes:
        potential_db: Gain that can be had with the margin kept, dB.
        needed_db: Gain that is needed, dB.
        fits: Whether the first reaches the second.
        usable: Whether the gain before the margin reaches the rule of thumb of 12 dB.
    """

    potential_db: float
    needed_db: float
    fits: bool
    usable: bool

    @property
    def spare_db(self) -> float:
        """What is left, dB; negative is missing."""
        return self.potential_db - self.needed_db

    def __str__(self) -> str:
        if self.fits:
            return f"{self.spare_db:.1f} dB to spare"
        return (
            f"found {self.potential_db:.1f} dB of gain before feedback, "
            f"expected {self.needed_db:.1f} dB or more"
        )


def open_microphones_db(number: int) -> float:
    """What N equal open microphones cost against one, dB: ``10 log10 N``, 0 or more.

    An average over random phases, not a bound: the worst case is twice that (``feedback.py``).

    Raises:
        ValueError: there are fewer than one.
    """
    if not number >= 1:
        raise ValueError(f"open microphones: found {number}, expected 1 or more")
    return 10.0 * math.log10(number)


def potential_gain_db(
    path: Path, *, open_microphones: int = 1, margin_db: float = 0.0, pattern_db: float = 0.0
) -> float:
    """Potential acoustic gain: how much louder the listener may hear the talker, dB.

    ``20 log10(D0 D1 / (Ds D2)) - 10 log10 NOM - margin``, less the microphone's level toward the
    loudspeaker (negative off its front, so a directional microphone adds gain).

    Args:
        path: The four distances, already held below the critical one if indoors.
        open_microphones: Number of equal open microphones.
        margin_db: Feedback stability margin, dB; see ``MARGINS_DB``.
        pattern_db: Microphone's level toward the loudspeaker, dB re its front, 0 or less.

    Raises:
        ValueError: a value lies outside its range.
    """
    if not pattern_db <= 0.0:
        raise ValueError(f"microphone toward loudspeaker, dB: found {pattern_db:g}, expected <= 0")
    ratio = path.d0_m * path.d1_m / (path.ds_m * path.d2_m)
    cost = open_microphones_db(open_microphones) + not_negative(margin_db, "margin, dB")
    return 20.0 * math.log10(ratio) - cost - pattern_db


def needed_gain_db(d0_m: float, equivalent_m: float) -> float:
    """Needed acoustic gain: to hear a talker at ``d0_m`` as if at ``equivalent_m``, dB.

    Args:
        d0_m: Talker to listener, m.
        equivalent_m: Equivalent acoustic distance, m.
    """
    far, near = positive(d0_m, "distance, m"), positive(equivalent_m, "equivalent distance, m")
    return 20.0 * math.log10(far / near)


def gain_verdict(
    path: Path,
    equivalent_m: float,
    *,
    open_microphones: int = 1,
    margin_db: float = USUAL_MARGIN_DB,
    pattern_db: float = 0.0,
) -> GainVerdict:
    """Compare potential and needed gain.

    Args:
        path: The four distances.
        equivalent_m: Distance at which the talker shall seem to be, m.
        open_microphones: Number of equal open microphones.
        margin_db: Feedback stability margin, dB.
        pattern_db: Microphone's level toward the loudspeaker, dB re its front, 0 or less.
    """
    bare_db = potential_gain_db(path, open_microphones=open_microphones, pattern_db=pattern_db)
    potential_db = bare_db - not_negative(margin_db, "margin, dB")
    needed_db = needed_gain_db(path.d0_m, equivalent_m)
    return GainVerdict(
        potential_db, needed_db, potential_db >= needed_db, bare_db >= USABLE_GAIN_DB
    )


def absorption_m2(volume_m3: float, reverberation_s: float) -> float:
    """Absorption of a room after Sabine, m^2: ``0.161 V / T``."""
    volume = positive(volume_m3, "volume, m^3")
    return REVERBERATION_S_PER_M * volume / positive(reverberation_s, "reverberation time, s")


def critical_distance_m(absorption: float, q: float = 1.0) -> float:
    """Distance where direct and reverberant sound are equal, m: ``sqrt(Q A / 16 pi)``.

    With Sabine's absorption this is ``0.0566 sqrt(Q V / T)``; books print 0.057, 0.7 % too much.

    Args:
        absorption: Absorption of the room, m^2.
        q: Directivity factor of the source, above 0; 1 is all around.
    """
    area = positive(absorption, "absorption, m^2")
    return math.sqrt(positive(q, "directivity factor") * area / (16.0 * math.pi))


def held_m(distance_m: float, critical_m: float) -> float:
    """The distance in the open with the same level as this one indoors, m.

    ``Dc D / sqrt(Dc^2 + D^2)``: about D near the source, Dc and no more far away.
    """
    d, dc = positive(distance_m, "distance, m"), positive(critical_m, "critical distance, m")
    return dc * d / math.hypot(dc, d)


def reverberant_gain_db(
    critical_m: float, ds_m: float, margin_db: float = USUAL_MARGIN_DB
) -> float:
    """Gain where listener and microphone both are in the loudspeaker's reverberant field, dB.

    ``20 log10 Dct - 20 log10 Ds - margin`` (Eargle p. 6-10; one line there lost a factor of 20).

    Args:
        critical_m: Critical distance of the talker, m.
        ds_m: Talker to microphone, m.
        margin_db: Feedback stability margin, dB.
    """
    near = positive(ds_m, "talker to microphone, m")
    return 20.0 * math.log10(positive(critical_m, "critical distance, m") / near) - margin_db


def loop_gain_db(
    loudspeaker_at_mic_db: float,
    talker_at_mic_db: float,
    *,
    pattern_db: float = 0.0,
    open_microphones: int = 1,
    coherent: bool = False,
) -> float:
    """Gain once round the loop, from levels, dB; 0 and above rings.

    Args:
        loudspeaker_at_mic_db: Level that the loudspeaker alone makes at the capsule, dB SPL, when
            the talker's signal drives it.
        talker_at_mic_db: Level of the talker at the capsule, dB SPL.
        pattern_db: Microphone's level toward the loudspeaker, dB re its front, 0 or less.
        open_microphones: Number of equal open microphones.
        coherent: Count them as all in phase, the worst case (20 log10 N), not at random.
    """
    finite(loudspeaker_at_mic_db, "loudspeaker at the microphone, dB SPL")
    finite(talker_at_mic_db, "talker at the microphone, dB SPL")
    if not pattern_db <= 0.0:
        raise ValueError(f"microphone toward loudspeaker, dB: found {pattern_db:g}, expected <= 0")
    many_db = open_microphones_db(open_microphones) * (2.0 if coherent else 1.0)
    return loudspeaker_at_mic_db - talker_at_mic_db + pattern_db + many_db


def loudest_at_mic_db(
    at_listener_db: float, open_loop_db: float, margin_db: float, pattern_db: float = 0.0
) -> float:
    """Highest level of the loudspeaker at the microphone that keeps a margin, dB SPL.

    ``listener - Z - D - margin`` with the open loop gain Z (Long eq. 18.20; his eq. 18.24 prints
    the microphone's term with the other sign, which contradicts 18.20 to 18.22).

    Args:
        at_listener_db: Level of the loudspeaker at the listener, dB SPL.
        open_loop_db: Gain from the talker at the microphone to the listener, dB.
        margin_db: Feedback stability margin, dB.
        pattern_db: Microphone's level toward the loudspeaker, dB re its front, 0 or less.
    """
    return at_listener_db - open_loop_db - pattern_db - margin_db
