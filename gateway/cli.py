"""Owns: the command line.

Must not know: how the roles work; each is imported only when it is asked for.
How it works: argparse, one function per command. Errors that we know end with one message that says what to do, and
code 2 when the site file or the words on the line are wrong, code 1 otherwise.
"""

from __future__ import annotations

import argparse
import dataclasses
import datetime
import json
import logging
import signal
import sys
import threading
from collections.abc import Sequence
from pathlib import Path

from gateway import __version__, cli_words
from gateway.app.people_arguments import add_arguments as add_people_arguments
from gateway.cli_words import Commands
from gateway.errors import GatewayError, LinkError, SiteError, WeatherError

USAGE_CODE = 2


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    parser = _parser()
    args = parser.parse_args(argv)
    logging.basicConfig(
        stream=sys.stderr, level=logging.INFO, format=f"%(asctime)s {args.command}: %(message)s", datefmt="%H:%M:%S"
    )
    try:
        return int(args.run(args) or 0)
    except (SiteError, WeatherError, LinkError) as error:
        print(f"loosebox {args.command}: {error}", file=sys.stderr)
        return USAGE_CODE
    except GatewayError as error:
        print(f"loosebox {args.command}: {error}", file=sys.stderr)
        return 1


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="loosebox", description="Heat load of horse barns, and air in time.")
    parser.add_argument("--version", action="version", version=f"loosebox {__version__}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    _add_run(commands)
    for name, run, text in (
        ("core", _core, "read the sensors, switch the kit, keep the history"),
        ("web", _web, "serve the wall and the status"),
        ("uplink", _uplink, "carry readings out of the barn, and call people"),
    ):
        role = commands.add_parser(name, help=text, description=f"One role: {text}.")
        role.set_defaults(run=run)
        if name == "web":
            cli_words.add_web(role)
            continue
        role.add_argument("site", type=Path, help="the site file")
        if name == "core":
            role.add_argument("--emulated", action="store_true", help="the barn is the bench in the site file's folder")
    safe = commands.add_parser("safe", help="put all kit into its safe state, once, without running")
    safe.add_argument("site", type=Path, help="the site file")
    safe.set_defaults(run=_safe)
    _add_hand(commands)
    check = commands.add_parser("check", help="check a site file and say what it describes")
    check.add_argument("site", type=Path, help="the site file, or an organisation file")
    check.set_defaults(run=_check)
    cli_words.add_reckon(commands, _reckon)
    _add_replay(commands)
    _add_evaluate(commands)
    _add_why(commands)
    _add_bench(commands)
    _add_history(commands)
    cli_words.add_look(commands, _look)
    cli_words.add_dead_letters(commands, _dead_letters)
    _add_calibrate(commands)
    _add_people(commands)
    return parser


def _add_hand(commands: Commands) -> None:
    hand = commands.add_parser(
        "hand",
        help="take a fan, a mister or a place by hand for a time, or give it back",
        description="Ask the running core. Nothing is taken for ever: every request has an end.",
    )
    hand.add_argument("site", type=Path, help="the site file")
    hand.add_argument("subject", help="the name of the kit, or for cool-out of the place")
    hand.add_argument("kind", choices=("on", "off", "cool-out", "auto"), help="auto gives it back")
    hand.add_argument("--minutes", type=float, default=30.0, help="for how long (default: 30)")
    hand.add_argument("--by", required=True, metavar="NAME", help="who asks")
    hand.add_argument("--why", default="", metavar="TEXT", help="why")
    hand.add_argument("--sure", action="store_true", help="yes, also in heat")
    hand.set_defaults(run=_hand)


def _hand(args: argparse.Namespace) -> int:
    from gateway.app.hand import by_hand
    from gateway.site import load

    done = by_hand(
        load(args.site), args.subject, args.kind, minutes=args.minutes, by=args.by, why=args.why, sure=args.sure
    )
    print(done)
    return 0


def _add_run(commands: Commands) -> None:
    run = commands.add_parser(
        "run",
        help="all roles at once; without a site file, with an emulated barn",
        description="Start core, web and uplink. Without a site file an emulated barn is started as well.",
    )
    say = run.add_argument
    barn = run.add_mutually_exclusive_group()
    barn.add_argument("site", type=Path, nargs="?", help="the site file of a real barn")
    barn.add_argument("--bench", type=Path, metavar="SITE", help="emulate the barn of this site file")
    say("--dir", type=Path, default=Path("loosebox-bench"), help="folder of the emulated barn")
    say("--speed", type=_speed, default=1.0, help="how many times faster the emulated barn's clock runs")
    say("--weather", type=Path, help="CSV of weather for the emulated barn: time,temp_c,rh_pct,...")
    say("--port", type=int, help="another port for the wall of the emulated barn")
    say("--clock-not-set", action="store_true", help="the emulated barn does not know what time it is")
    run.set_defaults(run=_run)


def _add_replay(commands: Commands) -> None:
    replay = commands.add_parser("replay", help="run the live step over recorded weather")
    replay.add_argument("--weather", type=Path, required=True, help="CSV: time,temp_c,rh_pct and optional columns")
    replay.add_argument("--site", type=Path, help="a site file, for its places, posts and kit")
    replay.add_argument("--policy", choices=("rule", "air", "stricter"), help="judge every place by this policy")
    replay.add_argument("--out", type=Path, default=Path("replay-days.csv"), help="where the day table goes (CSV)")
    replay.set_defaults(run=_replay)


def _add_evaluate(commands: Commands) -> None:
    evaluate = commands.add_parser("evaluate", help="compare our control with plainer ones over a summer of weather")
    say = evaluate.add_argument
    say("--weather", type=Path, nargs="+", required=True, help="CSV of one climate each, its name from the file")
    say("--months", type=int, nargs=2, default=(5, 9), metavar=("FROM", "TO"), help="first and last month; 5 9")
    say("--out", type=Path, default=Path("evaluation"), help="folder for evaluation.html and evaluation.csv")
    evaluate.set_defaults(run=_evaluate)


def _add_why(commands: Commands) -> None:
    why = commands.add_parser("why", help="tell from the history why a piece of kit was as it was")
    why.add_argument("kit", help="its name in the site file")
    why.add_argument("--at", required=True, help="ISO 8601, as 2026-07-14T14:05; without a zone that of the barn")
    why.add_argument("--site", type=Path, default=Path("/etc/loosebox/barn.toml"), help="the site file")
    why.set_defaults(run=_why)


def _add_bench(commands: Commands) -> None:
    bench = commands.add_parser(
        "bench", help="the emulated barn: serve it, break it, mend it", description="The emulated barn by itself."
    )
    bench.add_argument("--dir", type=Path, default=Path("loosebox-bench"), help="folder of the emulated barn")
    verbs = bench.add_subparsers(dest="verb", required=True, metavar="VERB")
    serve = verbs.add_parser("serve", help="serve a bench that `run` has prepared")
    serve.add_argument("--weather", type=Path, help="CSV of weather")
    fault = verbs.add_parser("fault", help="break something, as: fault stalls-air silence")
    fault.add_argument("target", help="a bus, sensor, relay block or kit of the site file")
    fault.add_argument("kind", help="what is wrong with it; a wrong word lists what there is")
    verbs.add_parser("clear", help="mend it, as: clear stalls-air").add_argument("target")
    verbs.add_parser("show", help="what is true in the emulated barn, as JSON")
    bench.set_defaults(run=_bench)


def _add_history(commands: Commands) -> None:
    export = commands.add_parser("export", help="readings from the history, as CSV or line protocol")
    say = export.add_argument
    say("--from", dest="begin", metavar="TIME", help="ISO 8601, as 2026-07-14T14:05; without a zone that of the barn")
    say("--to", dest="end", metavar="TIME", help="up to before this time")
    say("--channels", metavar="NAMES", help="channels, sensors or places, with commas between; all when left out")
    say("--resolution", choices=("raw", "minute", "quarter"), default="raw", help="raw, or per minute or quarter hour")
    say("--format", choices=("csv", "lines"), default="csv", help="CSV, or InfluxDB line protocol in milliseconds")
    say("--out", type=Path, help="a file; standard output when left out")
    export.set_defaults(run=_export)
    backup = commands.add_parser("backup", help="history, site file and delivery state as one file, while core runs")
    backup.add_argument("--out", type=Path, default=Path("loosebox-backup.zip"), help="the file to write")
    backup.set_defaults(run=_backup)
    restore = commands.add_parser("restore", help="put a backup in place, with core stopped")
    restore.add_argument("backup", type=Path, metavar="FILE", help="a file that `backup` made")
    restore.set_defaults(run=_restore)
    for command in (export, backup, restore):
        command.add_argument("--site", type=Path, default=Path("/etc/loosebox/barn.toml"), help="the site file")


def _add_calibrate(commands: Commands) -> None:
    calibrate = commands.add_parser(
        "calibrate", help="compare a sensor with saturated salts or melting ice, and get the block to paste"
    )
    say = calibrate.add_argument
    say("sensor", metavar="SENSOR", help="its name in the site file")
    say("quantity", choices=("rh", "temp", "globe", "skin"))
    say("--point", action="append", metavar="SALT=RH@TEMP", help="over a salt, as NaCl=73.1@24.5; at least two for rh")
    say("--ice", metavar="TEMP", help="what it says in melting ice, in °C; below zero as --ice=-0.4")
    say("--by", required=True, metavar="NAME", help="who compared")
    say("--on", type=datetime.date.fromisoformat, metavar="DAY", help="when, as 2026-05-02; today when left out")
    say("--site", type=Path, help="the site file, to find the sensor and a correction that stands")
    calibrate.set_defaults(run=_calibrate)


def _add_people(commands: Commands) -> None:
    people = commands.add_parser("people", help="who may look, switch and decide; to be run at the board's own console")
    add_people_arguments(people)
    people.set_defaults(run=_people)


def _speed(text: str) -> float:
    value = float(text)
    if not 1.0 <= value <= 600.0:
        raise argparse.ArgumentTypeError(f"{text} is not between 1 and 600")
    return value


def _until_stopped() -> threading.Event:
    """An event that SIGTERM and SIGINT set."""
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    return stop


def _core(args: argparse.Namespace) -> None:
    from gateway.app.core import run_core
    from gateway.site import load

    run_core(load(args.site), emulated=args.emulated, stop=_until_stopped())


def _web(args: argparse.Namespace) -> None:
    if args.site_board is not None:
        from gateway.app.site_board import run_site_board
        from gateway.org import load_org

        run_site_board(load_org(args.site_board))
        return
    from gateway.app.web import run_web
    from gateway.site import load

    run_web(load(args.site))


def _uplink(args: argparse.Namespace) -> None:
    from gateway.app.uplink import run_uplink
    from gateway.site import load

    run_uplink(load(args.site), _until_stopped())


def _safe(args: argparse.Namespace) -> int:
    from gateway.app.core import make_safe
    from gateway.site import load

    failed = make_safe(load(args.site))
    for line in failed:
        print(f"loosebox safe: {line}", file=sys.stderr)
    return 1 if failed else 0


def _check(args: argparse.Namespace) -> None:
    from gateway.org import describe_org, is_org, load_org
    from gateway.site import describe, load

    print(describe_org(load_org(args.site)) if is_org(args.site) else describe(load(args.site)))


def _run(args: argparse.Namespace) -> None:
    from gateway.app.run import run_barn, run_bench_barn

    if args.site is not None:
        run_barn(args.site, _until_stopped())
    else:
        run_bench_barn(
            args.dir, speed=args.speed, weather=args.weather, port=args.port, site_file=args.bench,
            clock_set=not args.clock_not_set, stop=_until_stopped(),
        )  # fmt: skip


def _reckon(args: argparse.Namespace) -> None:
    from gateway.app.reckon_asked import answer

    print(answer(args))


def _replay(args: argparse.Namespace) -> None:
    from drivers.bench.weather_rows import read_rows
    from gateway.app import replay
    from gateway.barn import DEFAULT_POSTS
    from gateway.model import Policy
    from gateway.site import load

    barn = load(args.site).barn if args.site else replay.plain_barn(DEFAULT_POSTS, Policy.STRICTER)
    if args.policy:
        places = tuple(dataclasses.replace(place, policy=Policy(args.policy)) for place in barn.places)
        barn = dataclasses.replace(barn, places=places)
    rows = read_rows(args.weather)
    tallies = replay.replay(barn, rows, _progress)
    print(file=sys.stderr)
    replay.save_days(tallies, barn.posts, args.out)
    print(replay.summary(tallies, barn.posts))
    print(f"{len(tallies)} days written to {args.out}")


def _evaluate(args: argparse.Namespace) -> None:
    from gateway.app import evaluate_run

    first, last = args.months
    evaluate_run.evaluate(args.weather, (first, last), args.out, lambda text: print(text, file=sys.stderr, flush=True))
    print(f"{evaluate_run.PAGE} and {evaluate_run.TABLE} are in {args.out}")


def _why(args: argparse.Namespace) -> None:
    from gateway.app.why import parse_time, story
    from gateway.site import load
    from gateway.store.past import Past

    site = load(args.site)
    print(story(site.barn, Past(site.history_file), args.kit, parse_time(args.at, site.barn.zone)))


def _progress(share: float) -> None:
    print(f"\rreplay: {share:4.0%}", end="", file=sys.stderr, flush=True)


def _bench(args: argparse.Namespace) -> int:
    from drivers.bench.desk import ask
    from gateway.app.bench import SITE_FILE, run_bench
    from gateway.site import load

    if args.verb == "serve":
        run_bench(load(args.dir / SITE_FILE), weather_file=args.weather, stop=_until_stopped())
        return 0
    request = {"do": args.verb, "target": getattr(args, "target", ""), "kind": getattr(args, "kind", "")}
    answer = ask(args.dir, request)
    print(json.dumps(answer, indent=2))
    return 1 if "error" in answer else 0


def _export(args: argparse.Namespace) -> None:
    from gateway.app.export import export
    from gateway.site import load

    lines = export(args, load(args.site))
    if args.out is not None:
        print(f"{lines} lines written to {args.out}")


def _backup(args: argparse.Namespace) -> None:
    from gateway.app.backup import backup
    from gateway.engine.clock import BoardClock
    from gateway.site import load

    print(backup(load(args.site), args.out, made_wall_s=BoardClock().stamp().wall_s))


def _restore(args: argparse.Namespace) -> None:
    from gateway.app.backup import restore

    print(restore(args.backup, args.site))


def _look(args: argparse.Namespace) -> None:
    from gateway.app.look import look

    for line in look(args):
        print(line, flush=True)


def _dead_letters(args: argparse.Namespace) -> None:
    from gateway.app.dead_letters import dead_letters
    from gateway.site import load

    for line in dead_letters(load(args.site), send=args.send):
        print(line, flush=True)


def _calibrate(args: argparse.Namespace) -> None:
    from gateway.app.calibrate import answer
    from gateway.engine.clock import BoardClock

    print(answer(args, BoardClock().stamp()))


def _people(args: argparse.Namespace) -> None:
    from gateway.app.people_console import people
    from gateway.org import is_org, load_org
    from gateway.site import load

    for line in people(args, (load_org if is_org(args.site) else load)(args.site).web):
        print(line, flush=True)


if __name__ == "__main__":
    sys.exit(main())
