"""What README says of every port, each claim with its numbers and the tests that keep it. I/O."""

from __future__ import annotations

from typing import NamedTuple

from bridge import watching
from bridge.doors import ANNOUNCED_PORT
from bridge.guard import flood
from bridge.guard import serving as health
from bridge.links import base, midi_frames
from bridge.oscquery import announce, listener, listeners
from bridge.oscquery import server as discovery
from bridge.pages import access, client, messages, show
from bridge.pages import doors as pages_doors
from bridge.pages import server as pages
from bridge.rig.discovery import Discovery
from bridge.rig.health import Health
from bridge.rig.pages import Pages
from bridge.wire import guard


class Claim(NamedTuple):
    """One clause of the table.

    Attributes:
        text: As README has it.
        tests: Names of tests, each of which turns red when it is not so.
        numbers: Every number in the text, as the code has it, in its order.
    """

    text: str
    tests: tuple[str, ...]
    numbers: tuple[object, ...] = ()


def claim(text: str, *tests: str, numbers: tuple[object, ...] = ()) -> Claim:
    """One clause; numbers are as people write them, 5.0 as 5."""
    return Claim(text, tests, tuple(f"{n:g}" if isinstance(n, float) else n for n in numbers))


LISTED = "test_everything_that_a_rig_listens_on_is_in_the_list"
UNASKED = "test_what_is_not_asked_for_is_not_open"
REACH = "test_the_check_lists_what_listens_and_who_reaches_it"
RIGHTS = claim(
    "move what its hands may, as the rules allow",
    "test_nobody_changes_what_the_rig_does_not_give_them",
    "test_no_datagrams_make_a_house_break_its_word",
    "test_no_midi_bytes_make_a_house_break_its_word",
)
EVERYWHERE = claim("without a host on every address", REACH)
NETWORK = "beyond this machine only with `open_to_network`"
CANNOT = "test_pages_that_cannot_be_are_refused_with_their_line"
FOREIGN = "test_what_comes_from_a_foreign_page_or_by_a_foreign_name_is_turned_away"
HALF = "test_a_connection_keeps_no_place_by_saying_half_of_something"
LURED = "test_a_lured_browser_learns_nothing"
UNMOVED = "test_nothing_is_moved_whatever_is_asked"
HUNG_UP = "test_a_connection_from_elsewhere_is_hung_up_on_and_counted"
NO_QUESTION = "test_what_is_no_question_is_turned_away_and_nothing_is_looked_up_for_it"
CLAIMS: dict[str, tuple[Claim, ...]] = {
    "controller, OSC on UDP": (
        claim('for each `listen = "udp://..."`', LISTED),
        EVERYWHERE,
        claim(
            "who sends from its `source`",
            "test_a_controller_is_heard_by_its_host_s_name_and_by_every_spelling",
        ),
        claim(
            "everybody else is refused and counted",
            "test_a_datagram_from_elsewhere_changes_nothing_and_is_counted",
            "test_where_a_port_is_declared_another_program_of_that_host_is_a_stranger",
        ),
        RIGHTS,
        claim(
            "8192 bytes a datagram",
            "test_a_datagram_of_one_byte_too_many_is_dropped",
            numbers=(base.DATAGRAM_BYTES_MAX,),
        ),
        claim(
            "more than 1000 messages/s for 5 s are thinned out, but falls and silence pass",
            "test_of_a_flood_each_control_passes_ten_values_a_second_and_ends_where_it_is",
            "test_in_a_flood_a_fall_and_silence_pass_at_once",
            numbers=(Health().flood_per_s, flood.FLOOD_WINDOWS * flood.WINDOW_S),
        ),
    ),
    "controller, OSC on TCP": (
        claim(
            'for each `listen = "tcp://..."`',
            "test_a_controller_on_tcp_at_the_port_of_something_else_is_an_error",
        ),
        EVERYWHERE,
        claim("who connects from its `source`", HUNG_UP),
        claim(
            "everybody else is hung up on and counted",
            HUNG_UP,
            "test_who_may_speak_by_udp_may_not_connect_by_tcp_at_the_same_number",
        ),
        RIGHTS,
        claim(
            "8 connections a port",
            "test_connections_are_bounded_and_the_one_too_many_is_sent_away",
            numbers=(base.CONNECTIONS_MAX,),
        ),
        claim(
            "8192 bytes a packet",
            "test_the_largest_packet_passes_and_a_larger_one_is_not_sent",
            "test_a_stream_that_cannot_go_on_is_given_up",
            numbers=(guard.PACKET_BYTES_MAX,),
        ),
        claim(
            "a broken stream ends its own connection",
            "test_a_broken_stream_ends_its_connection_and_no_other",
        ),
        claim(
            "what a browser sends is hung up on",
            "test_what_a_browser_at_a_controllers_address_sends_moves_nothing",
        ),
    ),
    "console's answers": (
        claim(
            "on UDP, at its `listen` or a free port",
            "test_a_console_is_heard_on_a_port_of_its_own_on_udp_alone",
        ),
        claim(
            "on TCP nothing listens: the bridge connects",
            "test_a_console_is_heard_on_a_port_of_its_own_on_udp_alone",
            "test_a_console_that_is_off_is_waited_for",
        ),
        claim("the host of its `send`", "test_a_peer_alone_may_speak_unless_others_are_named"),
        claim(
            "everybody else is refused and counted",
            "test_who_is_not_the_console_is_not_taken_for_it_and_is_counted",
        ),
        claim(
            "move the matrix as the desk does",
            "test_the_matrix_follows_the_desk_and_answers_nothing",
        ),
        claim(
            "whatever it says, nothing above a ceiling is told",
            "test_a_console_that_lies_gets_nothing_above_a_ceiling",
        ),
    ),
    "MIDI port": (
        claim(
            "for each `midi`",
            "test_controllers_that_share_a_port_are_one_door_and_those_on_midi_none",
            "test_a_device_that_comes_later_is_found",
        ),
        claim(
            "`midi-virtual:` makes a port", "test_a_virtual_port_is_made_for_others_to_connect_to"
        ),
        claim(
            "whatever is plugged in there, without a password",
            "test_a_pattern_has_to_fit_the_whole_name",
            "test_a_device_works_again_after_each_plugging_in",
        ),
        RIGHTS,
        claim(
            "4000 bytes a message",
            "test_a_message_too_long_to_carry_is_dropped_and_counted",
            numbers=(midi_frames.MESSAGE_BYTES_MAX,),
        ),
        claim(
            "a driver that hangs is started anew and holds nobody up",
            "test_a_helper_that_hangs_or_dies_is_replaced",
            "test_a_driver_that_stops_taking_bytes_does_not_stop_the_loop",
        ),
    ),
    "pages: HTTP, WebSocket": (
        claim("with `[pages]`", UNASKED),
        claim("at 127.0.0.1:8780", LISTED, numbers=(Pages().listen,)),
        claim(f"{NETWORK} and a passphrase", CANNOT),
        claim(
            "a performer with a token, which a code gives",
            "test_a_performer_joins_by_code_and_sees_the_own_mix_alone",
        ),
        claim(
            "the engineer with the passphrase, or the code in the log",
            "test_a_wrong_passphrase_opens_nothing",
            "test_without_a_passphrase_the_log_has_a_code_for_the_engineer",
        ),
        claim(
            "performers move their own mix alone",
            "test_a_performers_page_never_changes_what_the_rig_does_not_give",
            "test_a_thousand_random_messages_over_the_socket_move_nothing_of_anothers",
        ),
        claim(
            "the engineer's token opens the engineer's page, a performer's does not",
            "test_one_persons_token_is_no_engineers",
        ),
        claim(
            "a code works once, for 15 min",
            "test_a_code_works_once_and_only_in_time",
            numbers=(Pages().code_minutes,),
        ),
        claim(
            "8 tries an address, then one in 6 s",
            "test_an_address_may_try_some_times_and_then_slowly",
            "test_addresses_of_one_ipv6_network_share_their_tries",
            "test_guessing_codes_and_passphrases_is_slow",
            numbers=(access.TRIES_AT_ONCE, access.TRY_EVERY_S),
        ),
        claim(
            "a token ends after 16 h or when it is taken back",
            "test_a_token_that_ends_closes_its_page",
            "test_a_revoked_device_is_shut_out_at_once",
            numbers=(Pages().token_hours,),
        ),
        claim(
            "only digests of tokens and a scrypt hash are kept",
            "test_tokens_stay_over_a_restart_and_nothing_but_digests_is_kept",
            "test_the_hash_is_scrypt_as_the_rfc_has_it",
            CANNOT,
        ),
        claim(
            "requests come from a page of the bridge (Origin), by a number or declared name (Host)",
            FOREIGN,
            "test_numbers_and_declared_names_are_known_and_no_others",
        ),
        claim(
            "no foreign script (CSP), no cookie for scripts",
            "test_the_policy_allows_no_script_within_a_page_and_nothing_from_outside",
            "test_every_answer_forbids_the_browser_what_it_need_not_do",
            "test_tokens_and_undo_outlast_a_restart_of_the_bridge",
        ),
        claim(
            "TLS 1.2 or newer with `certificate`",
            "test_with_a_certificate_cookies_are_for_tls_alone",
            numbers=("1.2",),
        ),
        claim(
            "192 connections, 64 pages, 6 pages a token",
            "test_only_so_many_connections_are_held",
            "test_only_so_many_pages_are_open_in_all",
            "test_a_person_has_only_so_many_pages_open",
            numbers=(pages.CONNECTIONS_MAX, show.CLIENTS_MAX, show.CLIENTS_EACH),
        ),
        claim(
            "2048 bytes a request, 256 characters a message, 60 messages/s",
            "test_bodies_are_bounded_and_must_be_json",
            "test_a_message_too_long_closes_the_page_and_no_other",
            "test_a_message_that_cannot_be_is_refused_in_words",
            "test_a_flood_is_cut_to_the_rate_and_then_shut_out",
            numbers=(pages.BODY_BYTES_MAX, messages.CHARACTERS_MAX, client.MESSAGES_PER_S),
        ),
        claim(
            "a request that does not come whole in 5 s is given up, a silent connection after 20 s",
            HALF,
            numbers=(pages_doors.BODY_S, pages.QUIET_S),
        ),
    ),
    "discovery: OSCQuery": (
        claim("with `[discovery]`", UNASKED),
        claim("at 127.0.0.1:8781", LISTED, numbers=(Discovery.model_fields["listen"].default,)),
        claim(
            "beyond this machine only with `open_to_network`",
            "test_what_cannot_be_is_told_with_its_key",
        ),
        claim(
            "whoever reaches it, but no web page",
            LURED,
            "test_a_program_that_knows_only_the_port_learns_what_to_send",
        ),
        claim(
            "read what one controller may say, and those values alone",
            "test_the_tree_names_exactly_what_these_hands_may_say",
            "test_nothing_is_read_that_these_hands_may_not_touch",
        ),
        claim(
            "nothing is moved, whatever is asked or sent",
            UNMOVED,
            "test_nothing_is_moved_whatever_a_listener_says",
            "test_nothing_is_changed_by_http",
            "test_osc_by_websocket_moves_nothing",
        ),
        claim(
            "64 connections, 16 listeners",
            "test_connections_beyond_the_bound_are_hung_up_on",
            "test_listeners_beyond_the_bound_are_told_that_they_are_too_many",
            numbers=(discovery.CONNECTIONS_MAX, listeners.LISTENERS_MAX),
        ),
        claim(
            "1024 bytes a command, 200 commands/s",
            "test_a_frame_that_is_too_long_ends_the_connection",
            "test_commands_beyond_the_rate_are_not_taken",
            numbers=(listener.COMMAND_BYTES, listener.COMMANDS_PER_S),
        ),
        claim(
            "32 MB of answers that wait",
            "test_when_too_much_waits_to_be_taken_the_next_one_is_told_to_come_again",
            numbers=(discovery.UNDER_WAY_BYTES_MAX // 1000000,),
        ),
        claim(
            "by a number or a name of this machine (Host)", LURED, "test_other_names_are_refused"
        ),
    ),
    "discovery: DNS-SD": (
        claim("with `[discovery]`, unless `announce = false`", UNASKED),
        claim("UDP port 5353 of every address", LISTED, numbers=(ANNOUNCED_PORT,)),
        claim(
            "whoever is on the networks of `announce_on`",
            "test_it_is_announced_where_it_listens_and_the_rig_wants_it",
        ),
        claim(
            "read a name, addresses and ports",
            "test_a_browser_finds_where_to_ask_and_where_osc_goes_and_hears_the_good_bye",
        ),
        claim(
            "a name of 63 bytes",
            "test_a_name_fits_into_one_label",
            numbers=(announce.NAME_BYTES_MAX,),
        ),
        claim(
            "a fault in it does not reach the bridge",
            "test_a_defect_in_announcing_does_not_reach_the_bridge",
        ),
    ),
    "health": (
        claim(
            "with `[health] listen`",
            "test_without_the_table_nothing_listens_and_the_bounds_are_the_usual_ones",
        ),
        claim(
            "at an address of this machine alone",
            "test_a_rig_that_says_what_cannot_be_is_told_where_and_what_instead",
        ),
        claim(
            "whoever is on this machine, but no web page by a foreign name",
            "test_only_names_of_this_machine_pass",
            "test_health_answers_to_a_name_of_this_machine_alone",
        ),
        claim(
            "read states and counts, no level",
            "test_the_document_is_json_without_infinities_and_says_no_level",
        ),
        claim("nothing is moved, whatever is asked", UNMOVED),
        claim("GET of two pages", NO_QUESTION),
        claim("8 connections", "test_connections_are_bounded", numbers=(health.CONNECTIONS_MAX,)),
        claim(
            "a question comes whole in 10 s",
            "test_no_connection_keeps_its_place_for_ever",
            numbers=(health.QUIET_S,),
        ),
    ),
    "live view": (
        claim("with `[daemon] watch`", "test_without_a_word_in_the_rig_nobody_can_watch"),
        claim(
            "where it says, with a warning beyond this machine",
            "test_a_live_view_that_the_network_reaches_is_warned",
        ),
        claim("whoever reaches it", "test_watching_ends_in_words_when_the_bridge_stops"),
        claim("read the mix", "test_nothing_that_a_watcher_says_moves_or_ends_anything"),
        claim(
            "nothing is moved, whatever is sent",
            UNMOVED,
            "test_nothing_that_a_watcher_says_moves_or_ends_anything",
        ),
        claim(
            "8 watchers",
            "test_watchers_are_bounded_and_a_place_is_free_as_soon_as_one_goes",
            numbers=(watching.WATCHERS_MAX,),
        ),
        claim(
            "a picture is taken within 10 s",
            "test_a_watcher_that_takes_nothing_gives_its_place_up",
            numbers=(watching.TAKEN_S,),
        ),
    ),
    "console stand-in": (
        claim(
            "while `foldbridge simulate` runs",
            "test_simulate_ends_by_a_signal_and_leaves_a_recording_that_can_be_judged",
        ),
        claim(
            "where the console would be",
            "test_simulate_ends_by_a_signal_and_leaves_a_recording_that_can_be_judged",
        ),
        claim("whoever reaches it", "test_it_answers_on_a_real_udp_socket_and_records_to_a_file"),
        claim(
            "move the stand-in, which is no console",
            "test_it_answers_on_a_real_udp_socket_and_records_to_a_file",
        ),
        claim(
            "a connection that talks rubbish is dropped",
            "test_it_answers_on_a_real_tcp_connection_and_drops_one_that_talks_rubbish",
        ),
    ),
}
"""By what listens, the clauses of its row in their order."""
