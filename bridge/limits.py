"""Every bound of the running bridge, with its reason; relations are asserted here. Pure."""

from __future__ import annotations

TICK_S = 0.02
"""Time between two words about a level that ramps: 50 a second is finer than the 1 dB or so that
ears notice (from memory) at any allowed rise, and a slow link thins it out by itself."""

RISE_DB_PER_S_MAX = 40.0
"""Fastest rise that a rig may declare; beyond it a ramp is a jump."""

RISE_DB_PER_S_MIN = 0.1
"""Slowest rise that a rig may declare: ten minutes from silence to unity are a slip of the pen."""

STEP_DB_MIN = 0.25
"""Smallest burst that a rig may declare; below it every touch would become a ramp."""

STEP_DB_MAX = 6.0
"""Largest burst: doubling a voltage is what ears call a jump."""

QUIET_DB = -60.0
"""A console must understand a send or master as low as this, or off: what the bridge calls closed
has to be quieter than a stage at rest. Faders that end at -60 are common practice."""

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

FRESH_A_REPEAT = 8
"""New words told for each one that is repeated meanwhile: a hand on a fader must not wait for
repeats, and its newest word is repeated in the end anyway."""

REPEAT_PAUSE_S = 0.005
"""Time between two goes of repeats while something new is told."""

HALF_S = 0.03
"""The coarse half of a 14-bit MIDI value waits so long for its fine half: four messages take 4 ms
on a wire, a driver may hold them for some ms more, and a hand does not notice it."""

RARE_PROBE_S = 10.0
"""Time between two looks whether a console lives that can only be asked for everything at once."""

COLLECT_AFTER = (50_000, 20, 50)
"""Thresholds of the garbage collector: the longest pause under traffic falls from 13 to 0.4 ms."""

ECHO_MEMORY_S = 1.0
"""For this long the bridge recognises its own words when the console repeats them late."""

TOUCH_QUIET_S = 0.25
"""A control that has just moved is not shown values until it has been still for this long: a motor
must not fight a finger."""

SHOW_AGAIN_S = 1.0
"""So long after it was plugged in a controller is shown everything once more."""

FILE_BYTES_MAX = 1_000_000
"""Largest rig or map file; a thousand channels fit in a tenth of it."""

MAP_CHARACTERS_MAX = 262_144
"""Longest map: one that lists every address of a large console by hand is a tenth of it."""

ENTRIES_MAX = 1024
"""Most entries in a map. A console needs about ten, a box of knobs a few dozen; a map with one
entry a control of a whole desk still fits."""

SPOTS_MAX = 300_000
"""Most places that a map may be compiled to: 512 channels x 128 buses, each with level, switch,
tap and pan, are 262,144; they take about a second and 100 MB once, at start."""

LIST_MAX = 512
"""Longest list of names, break points or arguments: as many as a rig has channels."""

ARGUMENT_CHARACTERS_MAX = 200
"""Longest text among the constant arguments of an OSC message: sixteen of them still leave room in
a datagram."""

HOLD_S_MAX = 10.0
"""Longest press that a map may ask for; nobody holds a pedal longer on purpose."""

DOUBLE_S_MIN, DOUBLE_S_MAX = 0.1, 2.0
"""Times within which a second press may count as a double one, s: no foot is back in a tenth of a
second, and a short press that acts two seconds late is no use to anybody."""

DEAD_ZONE_MAX = 0.25
"""Largest dead zone at each end of a pedal: half of the travel is left to play with."""

TURNS_MAX = 32
"""Most turns of a controller: nobody remembers more meanings of one pedal; 7 bits can show them."""

TALK_EVERY_S_MIN = 0.05
"""Shortest time between two questions of one kind that a map may ask for: twenty a second are the
fastest sign of life that is of use, and more would fill the link."""

KEY_NAMES_MAX = 32
"""Most names in a dotted key of a file: no table that we read is deeper than five, and the parser
takes a time that grows with the square of it."""

CHANNELS_MAX = 512
"""Most channels of a rig; with the most buses that is 65,536 sends, about a second to compile."""

BUSES_MAX = 128
"""Most buses of a rig: more than any console sends to monitors."""

HANDS_MAX = 128
"""Most performers, and most controllers: one for each bus."""

GROUPS_MAX = 256
"""Most groups of sends: two for each bus."""

NUMBER_MAX = 16_383
"""Highest number that a console has for a channel or bus: two MIDI data bytes say no more."""

NAME_CHARACTERS_MAX = 60
"""Longest name: it has to fit on one line of the live view."""

ADDRESS_CHARACTERS_MAX = 300
"""Longest address, port name or path of a map: host names have at most 253 characters (RFC 1035,
section 2.3.4)."""

BYTES_PER_S_MIN = 50.0
"""Smallest budget of a link: a mute of some forty bytes then leaves within a second."""

MESSAGES_PER_S_MIN = 2.0
"""Smallest budget of a link: a mute must not wait longer than half a second for its turn."""

ANSWER_S_MIN = 0.1
"""Shortest silence after which a console may count as lost; a shorter one would be lost all the
time, as a busy console takes that long to answer."""

STAGE_M_MAX = 200.0
"""Farthest that anything on a stage may stand from its origin: twice the largest stages."""

SOUND_DB_MAX = 160.0
"""Loudest sound level that a rig may declare, dB SPL: beyond all loudspeakers and any ear."""

OHM_MIN, OHM_MAX = 0.5, 1000.0
"""Impedances of loudspeakers, ohm: below is a short circuit, above a line transformer."""

WATT_MAX = 20_000.0
"""Most power of an amplifier channel or loudspeaker, W: above it is a slip of the pen."""

CABLE_M_MAX = 500.0
"""Longest cable, m."""

AMPERE_MAX = 400.0
"""Largest current of a device or breaker, A: the largest single supply of a small venue."""

STAGE_ITEMS_MAX = 512
"""Most loudspeakers, microphones, lines: as many as a rig has channels."""

APART_M_MIN = 0.05
"""Least distance of a microphone or an ear from a loudspeaker, m: nearer is inside of it, and where
the distance is nothing the level would have no bound."""

SIMULATED_LOSS_MAX = 0.5
"""Largest share of packets that a stand-in loses: beyond it nobody would call it a network."""

FAULTS_SHOWN = 40
"""Faults told at once: nobody repairs more between two looks, and further ones often follow from
the first."""

NAMES_SHOWN = 20
"""Names that a fault lists as possible: more than a large stage has buses."""

REQUESTS_MAX = 64
"""Asks that wait for the engineer: more than a stage has people."""

CALLS_MAX = 16
"""Presets called for and not recalled yet: a chattering foot switch must not queue up an hour."""

REQUEST_DB = 3.0
"""How much more a granted ask is worth: plainly heard, not a leap (common practice)."""

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

assert 4 * CHANNELS_MAX * BUSES_MAX <= SPOTS_MAX, "a map can cover the largest rig"
assert RISE_DB_PER_S_MIN < RISE_DB_PER_S_MAX and STEP_DB_MIN < STEP_DB_MAX, "there is a choice"
assert MAP_CHARACTERS_MAX <= FILE_BYTES_MAX, "a map is a file"
