"""Owns: `loosebox people`: the list of people, walls and machines at the board's own console.

Must not know: how it is kept.
How it works: whoever sits at the console and may write the file is trusted; there is no other way to the first
keeper. A passphrase is asked for twice and never taken from the command line, where others could read it.
"""

from __future__ import annotations

import argparse
import getpass
import sys
from collections.abc import Callable, Iterator

from dashboards.rights import GIVEN
from gateway.app.people import PeopleFile
from gateway.errors import GatewayError
from gateway.site_web import WebAccess

Ask = Callable[[str], str]


def people(args: argparse.Namespace, access: WebAccess, ask: Ask | None = None) -> Iterator[str]:
    """Do it; gives the lines to print. Raises GatewayError."""
    listed = PeopleFile(access.people_file)
    if args.verb == "add":
        listed.add(args.name, GIVEN[args.right], _passphrase(ask or _prompt))
        yield f"{args.name} is {args.right} now. Sign in at /sign-in."
    elif args.verb == "key":
        yield listed.add_key(args.name, args.scope)
    elif args.verb == "wall":
        code = listed.offer(args.name)
        yield f"On the screen of {args.name} open /pair and type  {code[:4]} {code[4:]}  within ten minutes."
    elif args.verb == "remove":
        listed.remove(args.name)
        yield f"{args.name} is off the list."
    else:
        yield from (f"{person.right.word:8} {person.name}" for person in listed.persons())
        yield from (f"{key.scope:8} {key.name}" for key in listed.listed_keys())


def _passphrase(ask: Ask) -> str:
    first = ask("Passphrase (four words are a good one): ")
    if ask("Once more: ") != first:
        raise GatewayError("the two were not the same")
    return first


def _prompt(text: str) -> str:
    return getpass.getpass(text) if sys.stdin.isatty() else input()
