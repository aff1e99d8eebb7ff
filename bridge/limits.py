"""Every bound of the running bridge, with its reason; relations are asserted here. Pure."""

from __future__ import annotations

TICK_S = 0.02
"""Time between two words about a level that ramps: 50 a second is finer than the 1 dB or so that
ears notice at any allowed rise, and a slow link thins it out by itself."""

RISE_DB_PER_S_MAX = 40.0
"""Fastest rise that a rig may declare; beyond it a ramp is a jump."""

STEP_DB_MIN = 0.25
"""Smallest burst that a rig may declare; below it every touch would become a ramp."""

CONFIRM_RETRY_S = 0.1
"""After this long without the console's word a level is told (or asked for) again. Longer than a
busy console takes to answer, shorter than a person waits."""

BLIND_REPEATS = 4
"""How often the last word about a parameter is told again where nothing can be read back: five
datagrams of which one in twenty is lost all go missing once in three million."""

BLIND_REPEAT_S = 0.06
"""Time between such repeats: longer than the bursts in which a radio link loses packets."""

REPEATS_AT_ONCE = 16
"""Words looked after in one go while nothing new is told; the next go follows at once, after
whatever has come in meanwhile."""

REPEATS_BETWEEN = 2
"""The same while something new is told: a hand on a fader must not wait for repeats."""

FRESH_A_REPEAT = 8
"""New words told for each one that is repeated, in a flood: the newest word is repeated in the end
anyway."""

ECHO_MEMORY_S = 1.0
"""For this long the bridge recognises its own words when the console repeats them late."""

TOUCH_QUIET_S = 0.25
"""A control that has just moved is not shown values until it has been still for this long: a motor
must not fight a finger."""

FILE_BYTES_MAX = 1_000_000
"""Largest rig or map file; a thousand channels fit in a tenth of it."""

VERDICTS_KEPT = 200
"""Verdicts kept for people to look at."""

assert TICK_S * RISE_DB_PER_S_MAX <= 4 * STEP_DB_MIN, "a tick may not rise by more than 1 dB"
assert BLIND_REPEAT_S < CONFIRM_RETRY_S, "a repeat comes before a retry"

REREAD_S = 0.1
"""Time between two questions in quiet times: a console of 600 values is read over once a minute,
so that what the desk did unseen is found."""

ECHOES_KEPT = 8
"""Older words about one parameter that are recognised: as many as leave within a late answer."""

SAME_DB = 0.06
"""Levels nearer than this are the same word: consoles that show tenths of a dB round by 0.05."""

SAME_PAN = 0.01
"""Pans nearer than this are the same word."""

LOST_IN_A_ROW = 4
"""Words of one ramp that a bad link may lose in a row before a step becomes audible: where nothing
comes back, ramps are slowed so that such a gap stays within the declared step."""

UNDER_WAY_S = 0.25
"""Words older than this have arrived or never will: the longest delay that a rig may declare."""

WORTH_DB = 0.05
"""A ramp is not told in crumbs smaller than this: a flood of wishes on one moving level must not
become a flood of words of a thousandth of a dB."""
