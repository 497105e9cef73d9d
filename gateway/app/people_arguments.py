"""Owns: the words of `loosebox people` on the command line.

Must not know: what they do.
How it works: argparse and nothing else, so that the command line may load it for every command.
"""

from __future__ import annotations

import argparse
from pathlib import Path


def add_arguments(people: argparse.ArgumentParser) -> None:
    """The site file and the verbs."""
    people.add_argument("--site", type=Path, default=Path("/etc/loosebox/barn.toml"), help="the site file")
    verbs = people.add_subparsers(dest="verb", required=True, metavar="VERB")
    add = verbs.add_parser("add", help="a person; the first one must be a keeper")
    add.add_argument("name")
    rights = ("viewer", "hand", "keeper")
    add.add_argument("--right", choices=rights, required=True, help="viewer looks, hand switches, keeper decides")
    key = verbs.add_parser("key", help="a key for a machine, shown once")
    key.add_argument("name")
    key.add_argument("--scope", choices=("read", "hand", "metrics"), required=True, help="what it is for")
    verbs.add_parser("wall", help="a code that lets one wall screen look").add_argument("name")
    verbs.add_parser("remove", help="a person, a wall or a machine").add_argument("name")
    verbs.add_parser("list", help="who is on the list")
