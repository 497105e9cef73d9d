"""Owns: the command line.

Must not know: how the roles work; each is imported only when it is asked for.
How it works: argparse, one function per command. Errors that we know end with one message that says what to do, and
code 2 when the site file or the words on the line are wrong, code 1 otherwise.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import logging
import signal
import sys
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import TypeAlias

from gateway import __version__
from gateway.errors import GatewayError, LinkError, SiteError, WeatherError

USAGE_CODE = 2

_Commands: TypeAlias = "argparse._SubParsersAction[argparse.ArgumentParser]"


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
        ("uplink", _uplink, "carry readings out of the barn"),
    ):
        role = commands.add_parser(name, help=text, description=f"One role: {text}.")
        role.add_argument("site", type=Path, help="the site file")
        role.set_defaults(run=run)
        if name == "core":
            role.add_argument("--emulated", action="store_true", help="the barn is the bench in the site file's folder")
    safe = commands.add_parser("safe", help="put all kit into its safe state, once, without running")
    safe.add_argument("site", type=Path, help="the site file")
    safe.set_defaults(run=_safe)
    check = commands.add_parser("check", help="check a site file and say what it describes")
    check.add_argument("site", type=Path, help="the site file")
    check.set_defaults(run=_check)
    _add_reckon(commands)
    _add_replay(commands)
    _add_bench(commands)
    return parser


def _add_run(commands: _Commands) -> None:
    run = commands.add_parser(
        "run",
        help="all roles at once; without a site file, with an emulated barn",
        description="Start core, web and uplink. Without a site file an emulated barn is started as well.",
    )
    run.add_argument("site", type=Path, nargs="?", help="the site file of a real barn")
    run.add_argument("--dir", type=Path, default=Path("loosebox-bench"), help="folder of the emulated barn")
    run.add_argument("--speed", type=_speed, default=1.0, help="how many times faster the emulated barn's clock runs")
    run.add_argument("--weather", type=Path, help="CSV of weather for the emulated barn: time,temp_c,rh_pct,...")
    run.add_argument("--port", type=int, help="another port for the wall of the emulated barn")
    run.set_defaults(run=_run)


def _add_reckon(commands: _Commands) -> None:
    reckon = commands.add_parser("reckon", help="reckon sum, wet bulb, carry and more from two numbers")
    say = reckon.add_argument
    say("--temp", required=True, help="air temperature, as 97F; a range as 20C..38C/2C; frost as --temp=-5C")
    say("--rh", required=True, help="relative humidity in per cent, as 62; a range as 30..90/10")
    say("--air", help="air speed at the horse, as 1.5m/s, 3mph, 5km/h or 3kn; 0.2 m/s when left out")
    say("--globe", help="black globe of 15 cm, as 41C or 106F; not together with --sun")
    say("--sun", help="global irradiance in the open, as 800W/m2")
    say("--altitude", help="height above the sea, as 300m or 1000ft")
    say("--mass", help="the horse, as 500kg or 1100lb")
    say("--pace", choices=("stand", "walk", "trot", "canter", "gallop"), default="stand", help="what the horse does")
    say("--wet", help="wet share of the skin, 0 to 1; 1 when left out")
    say("--just-worked", action="store_true", help="a standing horse still breathes and burns as after work")
    say("--temp-error", help="how far off the temperature may be, as 0.3K or 0.5F")
    say("--rh-error", help="how far off the humidity may be in per cent, as 2")
    say("--table", choices=("text", "csv", "svg"), help="a table over ranges, or a picture of the roof")
    say("--of", choices=("carry", "roof", "sum", "wet-bulb"), help="what stands in the table; carry when left out")
    say("--json", action="store_true", help="one JSON object")
    reckon.set_defaults(run=_reckon)


def _add_replay(commands: _Commands) -> None:
    replay = commands.add_parser("replay", help="run the live step over recorded weather")
    replay.add_argument("--weather", type=Path, required=True, help="CSV: time,temp_c,rh_pct and optional columns")
    replay.add_argument("--site", type=Path, help="a site file, for its places, posts and kit")
    replay.add_argument("--policy", choices=("rule", "air", "stricter"), help="judge every place by this policy")
    replay.add_argument("--out", type=Path, default=Path("replay-days.csv"), help="where the day table goes (CSV)")
    replay.set_defaults(run=_replay)


def _add_bench(commands: _Commands) -> None:
    bench = commands.add_parser(
        "bench", help="the emulated barn: serve it, break it, mend it", description="The emulated barn by itself."
    )
    bench.add_argument("--dir", type=Path, default=Path("loosebox-bench"), help="folder of the emulated barn")
    verbs = bench.add_subparsers(dest="verb", required=True, metavar="VERB")
    serve = verbs.add_parser("serve", help="serve a bench that `run` has prepared")
    serve.add_argument("--weather", type=Path, help="CSV of weather")
    fault = verbs.add_parser("fault", help="break something, as: fault stalls-air silence")
    fault.add_argument("target")
    fault.add_argument("kind")
    verbs.add_parser("clear", help="mend it, as: clear stalls-air").add_argument("target")
    verbs.add_parser("show", help="what is true in the emulated barn, as JSON")
    bench.set_defaults(run=_bench)


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
    from gateway.site import describe, load

    print(describe(load(args.site)))


def _run(args: argparse.Namespace) -> None:
    from gateway.app.run import run_barn, run_bench_barn

    if args.site is not None:
        run_barn(args.site, _until_stopped())
    else:
        run_bench_barn(args.dir, speed=args.speed, weather=args.weather, port=args.port, stop=_until_stopped())


def _reckon(args: argparse.Namespace) -> None:
    from gateway.app.reckon_asked import answer

    print(answer(args))


def _replay(args: argparse.Namespace) -> None:
    from drivers.bench.weather_rows import read_rows
    from gateway.app import replay
    from gateway.model import DEFAULT_POSTS, Policy
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


if __name__ == "__main__":
    sys.exit(main())
