#!/usr/bin/env python3
"""Writes the copyright file of the Debian package: the licences of leadpipe and of every
library that is linked into the program, each with its notices and its full text.

    scripts/copyright.py > target/release/copyright

Reads what cargo knows of the packages and the licence files in their sources. Fails where
a library has a licence whose text is in none of them.
"""

import json
import pathlib
import re
import subprocess
import sys

FEATURES = "jack"
LICENCE_FILE = re.compile(r"^(licen[cs]e|copying|copyright|notice|unlicense)", re.IGNORECASE)
RULE = "-" * 78
# Words that only one licence has.
STANDARD = {
    "MIT": "Permission is hereby granted, free of charge",
    "Apache-2.0": "TERMS AND CONDITIONS FOR USE, REPRODUCTION, AND DISTRIBUTION",
    "Unlicense": "This is free and unencumbered software",
}


def metadata():
    """Packages by id, and the id of leadpipe."""
    host = re.search(r"^host: (.*)$", run("rustc", "-vV"), re.MULTILINE)[1]
    data = json.loads(
        run("cargo", "metadata", "--format-version", "1", "--locked", "--features", FEATURES,
            "--filter-platform", host)
    )
    packages = {package["id"]: package for package in data["packages"]}
    nodes = {node["id"]: node for node in data["resolve"]["nodes"]}
    return packages, nodes, data["resolve"]["root"]


def run(*command):
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout


def linked(nodes, root):
    """Ids of what is linked in: neither build scripts nor tests, nor macros that run at
    compile time (which are harmless to list, and listed)."""
    found, waiting = set(), [root]
    while waiting:
        here = waiting.pop()
        if here not in found:
            found.add(here)
            waiting += [
                dep["pkg"]
                for dep in nodes[here]["deps"]
                if any(kind["kind"] is None for kind in dep["dep_kinds"])
            ]
    return found - {root}


def texts(package, choose=True):
    """Texts of a package's licence files. Of a choice that MIT is part of, its text."""
    folder = pathlib.Path(package["manifest_path"]).parent
    files = sorted(file for file in folder.iterdir() if file.is_file() and LICENCE_FILE.match(file.name))
    choice = re.search(r"\bOR\b|/", package["license"]) and " AND " not in package["license"]
    mit = [file for file in files if "mit" in file.name.lower()]
    if choose and choice and mit:
        files = mit + [file for file in files if file.name.lower().startswith(("copyright", "notice"))]
    return [file.read_text(encoding="utf-8", errors="replace").strip() for file in files]


def title(package):
    return f"{package['name']} {package['version']}"


def main():
    packages, nodes, root = metadata()
    own = packages[root]
    folder = pathlib.Path(own["manifest_path"]).parent
    libraries = sorted((packages[id] for id in linked(nodes, root)), key=title)
    by_text, without = {}, []
    for package in libraries:
        found = texts(package)
        for text in found:
            # Texts that differ by white space alone are one.
            by_text.setdefault(" ".join(text.split()), (text, []))[1].append(title(package))
        if not found:
            without.append(package)

    print(f"leadpipe {own['version']}")
    print(f"Copyright {', '.join(own['authors']) or 'the leadpipe founders'}")
    print(f"Licence: {own['license']}, at your choice; both texts follow.\n")
    for name in ("LICENSE-MIT", "LICENSE-APACHE"):
        print(f"{RULE}\n{(folder / name).read_text().strip()}\n")

    print(f"{RULE}\nThe program contains these libraries, unchanged:\n")
    for package in libraries:
        source = package["repository"] or package["homepage"] or ""
        print(f"  {title(package)}: {package['license']}\n    {source}")
        if package["authors"]:
            print(f"    by {', '.join(package['authors'])}")

    covered = [package for package in libraries if "MPL-2.0" in package["license"]]
    if covered:
        print(f"\n{RULE}\nThese are covered by the Mozilla Public License 2.0. Their source code is")
        print("available under that licence at the addresses given above, in the versions")
        print("named; nothing in them was changed:\n")
        print("  " + "\n  ".join(title(package) for package in covered))

    every = [(folder / name).read_text() for name in ("LICENSE-MIT", "LICENSE-APACHE")]
    every += [text for package in libraries for text in texts(package, choose=False)]
    for package in without:
        # Its authors left the text out: the same licence's text from elsewhere.
        words = [words for name, words in STANDARD.items() if name in package["license"]]
        text = next((text for text in every if any(begin in text for begin in words)), None)
        if text is None:
            sys.exit(f"{title(package)}: no text of its licence, {package['license']}")
        by_text.setdefault(" ".join(text.split()), (text.strip(), []))[1].append(title(package))

    for text, names in by_text.values():
        print(f"\n{RULE}\nLicence and notices of {', '.join(names)}:\n\n{text}")


if __name__ == "__main__":
    main()
