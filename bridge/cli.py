"""The commands of `foldbridge`. I/O."""

from __future__ import annotations

import argparse
import asyncio
import json
import logging
import random
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from bridge import __version__
from bridge.errors import BridgeError, Fault, RigError

OK, WARNED, WRONG = 0, 1, 2


class _Json(logging.Formatter):
    """One JSON object a line, for machines."""

    def format(self, record: logging.LogRecord) -> str:
        """A log record as JSON."""
        return json.dumps({"at": round(record.created, 3), "level": record.levelname.lower(),
                           "part": record.name, "text": record.getMessage()})  # fmt: skip


def _log(as_json: bool, level: int = logging.INFO) -> None:
    handler = logging.StreamHandler(sys.stderr)
    plain = logging.Formatter("%(asctime)s %(levelname)-7s %(message)s")
    handler.setFormatter(_Json() if as_json else plain)
    logging.basicConfig(level=level, handlers=[handler])


def _run(args: argparse.Namespace) -> int:
    from bridge import daemon
    from bridge.guard.lock import only_one

    _log(args.log_json)
    with only_one(args.rig):
        asyncio.run(daemon.run(args.rig))
    return OK


def _demo(args: argparse.Namespace) -> int:
    from bridge.demo import Demo, demo_rig
    from bridge.simulator.recording import text_of

    _log(args.log_json, logging.INFO if args.log_json else logging.WARNING)
    seed = random.randrange(10**6) if args.seed is None else args.seed
    demo = Demo(args.rig or demo_rig(), seed)
    watch = demo.rig.file.daemon.watch
    viewer: list[subprocess.Popen[bytes]] = []

    def ready() -> None:
        print(f"foldbridge demo: {demo.rig.file.rig.name}, seed {seed}; Ctrl-C ends it", flush=True)
        if watch and (sys.stdout.isatty() or args.view):
            command = [sys.executable, "-m", "bridge.cli", "watch", "--at", watch]
            viewer.append(subprocess.Popen(command))

    findings = None
    try:
        findings = asyncio.run(demo.run(args.seconds, ready))
    except KeyboardInterrupt:
        print("ended by hand; the witness is asked only after a run with --seconds")
    finally:
        for process in viewer:
            process.terminate()
            process.wait()
        if args.record:
            args.record.write_text("".join(map(text_of, demo.lines)), encoding="utf-8")
    if findings is None:
        return OK
    counts = demo.daemon.house.controllers.counts
    print(f"{demo.gestures} gestures: {counts[0]} taken, {counts[1]} limited, {counts[2]} refused")
    print(findings.text())
    return OK if findings.ok else WARNED


def _check(args: argparse.Namespace) -> int:
    from bridge import checking

    report = checking.check(args.rig)
    print(json.dumps(report.data(), indent=2) if args.json else report.text())
    return WARNED if args.strict and report.warnings else OK


def _simulate(args: argparse.Namespace) -> int:
    from bridge import simulate

    _log(args.log_json)
    return simulate.simulate(args.rig, record=args.record, seed=args.seed, loss=args.loss,
                             hear_s=args.hear, hear_to=args.hear_to)  # fmt: skip


def _plan(args: argparse.Namespace) -> int:
    from bridge import plan

    return plan.run(args)


def _preset(args: argparse.Namespace) -> int:
    from bridge.presets.command import preset

    return preset(args.rig, args.act_on, args.name, as_json=args.json)


def _soundcheck(args: argparse.Namespace) -> int:
    from bridge.soundcheck.command import soundcheck

    _log(args.log_json, logging.WARNING)
    return soundcheck(
        args.rig,
        show=args.list,
        as_json=args.json,
        withdraw=args.withdraw,
        fresh=args.fresh,
        by=args.by,
    )


def _witness(args: argparse.Namespace) -> int:
    from bridge.simulator.recording import RecordingError
    from bridge.simulator.witness import judge_text

    try:
        with args.file.open(encoding="utf-8") as lines:
            findings = judge_text(lines)
    except (OSError, RecordingError, UnicodeDecodeError) as problem:
        print(f"{args.file}: {problem}", file=sys.stderr)
        return WRONG
    print(findings.text())
    return OK if findings.ok else WARNED


def _watch(args: argparse.Namespace) -> int:
    from bridge.rig.load import load_rig
    from bridge.view import watch_now

    address = args.at
    if address is None and args.rig is not None:
        rig = load_rig(args.rig)
        address = rig.file.daemon.watch
        if address is None:
            raise RigError([Fault(rig.at(("daemon",)), "no 'watch' address",
                                  'watch = "tcp://127.0.0.1:9100" in [daemon]')])  # fmt: skip
    if address is None:
        raise RigError([Fault("watch", "neither a rig nor --at", "one of them")])
    watch_now(address)
    return OK


def _schema(args: argparse.Namespace) -> int:
    from pydantic import BaseModel

    from bridge.maps.model import MapFile
    from bridge.rig.model import RigFile

    models: dict[str, type[BaseModel]] = {"rig": RigFile, "map": MapFile}
    model = models[args.file]
    print(json.dumps(model.model_json_schema(), indent=2))
    return OK


def _passphrase(_: argparse.Namespace) -> int:
    from bridge.pages.passphrase import ask

    print(ask())
    return OK


def _learn(args: argparse.Namespace) -> int:
    from bridge.learning.command import learn

    _log(args.log_json, logging.WARNING)
    return learn(args.rig, controller=args.controller)


def _explain(args: argparse.Namespace) -> int:
    from bridge.explain.command import explain

    return explain(" ".join(args.words), as_json=args.json)


def _status(args: argparse.Namespace) -> int:
    from bridge.guard.command import status

    return status(args.where, as_json=args.json)


def _search_log(args: argparse.Namespace) -> int:
    from bridge.journal.command import search

    return search(args.rig, who=args.who, what=args.what, since=args.since,
                  refused=args.refused, as_json=args.json)  # fmt: skip


def _ports(_: argparse.Namespace) -> int:
    from bridge.links.midi import find_ports, midi_available

    possible, why = midi_available()
    if not possible:
        print(f"no MIDI here: {why}")
        return WARNED
    found = asyncio.run(find_ports())
    for port in found:
        print(f"{port.api:8} {'out' if port.output else 'in ':3}  {port.name}")
    if not found:
        print("no MIDI ports are there now")
    return OK


def _logs(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("--log-json", action="store_true", help="log one JSON object a line")


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="foldbridge",
        description="From the hands on a stage to the console that feeds their monitors.",
    )
    parser.add_argument("--version", action="version", version=f"foldbridge {__version__}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")

    def command(name: str, act: Callable[[argparse.Namespace], int], text: str) \
            -> argparse.ArgumentParser:  # fmt: skip
        sub = commands.add_parser(name, help=text, description=text)
        sub.set_defaults(act=act)
        return sub

    run = command("run", _run, "Run a rig until Ctrl-C.")
    run.add_argument("rig", type=Path, help="the rig file")
    _logs(run)
    demo = command("demo", _demo, "Play an invented band on a console stand-in.")
    demo.add_argument("rig", type=Path, nargs="?", help="another rig, all on this machine")
    demo.add_argument("--seconds", type=float, default=0.0, help="end by itself and be judged")
    demo.add_argument("--seed", type=int, help="what the players do")
    demo.add_argument("--record", type=Path, help="keep the recording of the console here")
    demo.add_argument("--view", action="store_true", help="show the view though not a terminal")
    _logs(demo)
    check = command("check", _check, "Check a rig and its maps; show what it reaches.")
    check.add_argument("rig", type=Path, help="the rig file")
    check.add_argument("--json", action="store_true", help="for machines")
    check.add_argument("--strict", action="store_true", help="exit 1 on warnings")
    simulate = command("simulate", _simulate, "Run a rig's console stand-in alone.")
    simulate.add_argument("rig", type=Path, help="the rig file")
    simulate.add_argument("--record", type=Path, help="keep what the console receives here")
    simulate.add_argument("--loss", type=float, default=0.0, help="share of packets lost, 0..0.5")
    simulate.add_argument("--seed", type=int, default=1, help="which packets are lost")
    simulate.add_argument("--hear", type=float, default=0.0, metavar="SECONDS",
                          help="write what the mixes play as WAV files, and end")  # fmt: skip
    simulate.add_argument("--hear-to", type=Path, metavar="DIR", help="folder of these files")
    _logs(simulate)
    _stage_commands(command)
    _more_commands(command)
    return parser


def _stage_commands(command: Callable[..., argparse.ArgumentParser]) -> None:
    """The commands about the stage."""
    plan = command("plan", _plan, "Write a rig's stage plan: one printable page, or JSON.")
    plan.add_argument("rig", type=Path, help="the rig file")
    plan.add_argument("--out", type=Path, help="where to; - is standard output")
    plan.add_argument("--json", action="store_true", help="for machines")
    plan.add_argument("--strict", action="store_true", help="exit 1 on warnings")
    sound = command("soundcheck", _soundcheck, "Find where each microphone rings, and mark it.")
    sound.add_argument("rig", type=Path, help="the rig file")
    sound.add_argument("--list", action="store_true", help="show the marks and what to cut")
    sound.add_argument("--json", action="store_true", help="the list for machines")
    sound.add_argument("--withdraw", metavar="CHANNEL/BUS", help="take a mark out of force")
    sound.add_argument("--fresh", action="store_true", help="test again what has been tested")
    sound.add_argument("--by", help="who listens; the engineer's name when missing")
    _logs(sound)


def _more_commands(command: Callable[..., argparse.ArgumentParser]) -> None:
    """The commands that look at things and change nothing."""
    witness = command("witness", _witness, "Judge a recording; exit 1 with the first breach.")
    witness.add_argument("file", type=Path, help="the recording")
    watch = command("watch", _watch, "Show a running bridge in the terminal.")
    watch.add_argument("rig", type=Path, nargs="?", help="the rig file of the running bridge")
    watch.add_argument("--at", help="where it runs: tcp://127.0.0.1:9100")
    lesson = command("learn", _learn, "Move a control and have its map entry written.")
    lesson.add_argument("rig", type=Path, help="the rig file")
    lesson.add_argument("--controller", metavar="ID", help="which one, where the rig has several")
    _logs(lesson)
    preset = command("preset", _preset, "List, show or check the presets of a rig.")
    preset.add_argument("rig", type=Path, help="the rig file")
    preset.add_argument("act_on", choices=("list", "show", "check"), metavar="list|show|check")
    preset.add_argument("name", nargs="?", help="which preset, for show")
    preset.add_argument("--json", action="store_true", help="for machines")
    record = command("log", _search_log, "Who asked for what, and what became of it.")
    record.add_argument("rig", type=Path, help="the rig file")
    record.add_argument("--who", help="only this performer, by id or name; engineer is one")
    record.add_argument("--what", help="only controls with this in their name")
    record.add_argument("--since", help="only so far back: 90s, 15m, 2h, 3d")
    record.add_argument("--refused", action="store_true", help="only what was limited or refused")
    record.add_argument("--json", action="store_true", help="one JSON object a line, for machines")
    schema = command("schema", _schema, "Print the JSON Schema of a file kind.")
    schema.add_argument("file", choices=("rig", "map"), help="which kind of file")
    said = command("explain", _explain, "Say what an error or a limit means, and what to do.")
    said.add_argument("words", nargs="*", help="a code, or words of the text; all codes without")
    said.add_argument("--json", action="store_true", help="for machines")
    state = command("status", _status, "Ask a running bridge how it is: 0 ok, 1 degraded, 2 down.")
    state.add_argument("where", help="the rig file, or http://127.0.0.1:9780")
    state.add_argument("--json", action="store_true", help="for machines")
    command("passphrase", _passphrase,
            "Hash the engineer's passphrase, for engineer in a rig's [pages].")  # fmt: skip
    command("ports", _ports, "List the MIDI ports of this machine.")


def _told(*errors: BaseException) -> int:
    """Tell errors, and where there is more about them."""
    from bridge.explain.hints import hint

    print("\n".join(map(str, errors)), file=sys.stderr)
    if more := hint(*errors):
        print(more, file=sys.stderr)
    return max((getattr(error, "exit_code", WRONG) for error in errors), default=WRONG)


def main(argv: Sequence[str] | None = None) -> int:
    """Run a command.

    Returns:
        0 all well; 1 warnings or a breach; 2 an error, told on standard error; 3 this rig runs
        already.
    """
    if not __debug__:
        print("foldbridge does not run with python -O: its checks are part of it", file=sys.stderr)
        return WRONG
    args = _parser().parse_args(argv)
    act: Callable[[argparse.Namespace], int] = args.act
    try:
        return act(args)
    except BridgeError as error:
        return _told(error)
    except ExceptionGroup as errors:
        ours, others = errors.split(BridgeError)
        if ours is None or others is not None:
            raise
        return _told(*ours.exceptions)
    except KeyboardInterrupt:
        return OK


if __name__ == "__main__":
    sys.exit(main())
