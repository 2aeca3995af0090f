"""Mutation: small planted defects, each of which must turn a test red. usage: mutants.py ROOM FOLDER NAMES.

The defects are those that cargo-mutants lists. It builds the crate anew for each, which takes hours; so here each
function gets all of its own as arms of one `match` on a number from the environment, and the tests run once a
number. What does not compile that way is told (`cargo mutants -F NAME` tries it alone). FOLDER is as `rooms` laid
it out; what survives stands in FOLDER/ROOM/missed. NAMES is a regular expression of those that are planted, empty
for all of them.
"""

import collections
import json
import os
import pathlib
import re
import shutil
import subprocess
import sys
import time

QUICK = ["--skip", "ten_thousand", "--skip", "truth", "--skip", "silicon"]
# A room: its sources, and the tests that hold it, quick ones first: the next look only at what those let through.
ROOMS = {
    "verdict": ("src/verdict/", [("it", ["grading::fits"]), ("it", ["grading"]), ("sim", QUICK), ("it", ["ledger"])]),
    "core": ("src/run/", [("sim", QUICK), ("soakproof", []), ("it", ["grading::continuation"]), ("sim", ["ten_thousand"])]),
    "suite": ("src/suite/", [("it", ["suites"]), ("soakproof", [])]),
    "ledger": ("src/ledger/", [("it", ["ledger"]), ("sim", ["silicon"]), ("it", ["grading::continuation"])]),
}
SWITCH = """
pub(crate) fn mutant() -> u32 {
    static CHOSEN: std::sync::OnceLock<u32> = std::sync::OnceLock::new();
    *CHOSEN.get_or_init(|| std::env::var("MUTANT").map_or(0, |text| text.parse().expect("a number")))
}
"""


def offset(text, place):
    """Of a line and a column, both from 1, columns in characters."""
    lines = text.splitlines(keepends=True)
    return sum(map(len, lines[: place["line"] - 1])) + place["column"] - 1


def body_start(text, start):
    """Just behind the brace that opens the body of the function at `start`."""
    depth = 0
    for at in range(re.compile(r"\bfn\b").search(text, start).end(), len(text)):
        depth += (text[at] in "([") - (text[at] in ")]")
        if text[at] == "{" and depth == 0:
            return at + 1
    raise AssertionError("a function without a body")


def plant(text, mutants):
    """The source with every mutant as an arm, and for each line of it the mutants to blame for an error there."""
    functions = collections.defaultdict(list)
    spans = {(offset(text, m["function"]["span"]["start"]), offset(text, m["function"]["span"]["end"])) for m in mutants}
    for mutant in mutants:
        start = offset(text, mutant["span"]["start"])
        functions[min(span for span in spans if span[0] <= start < span[1])].append(mutant)
    out, done, blamed = "", 0, {}

    def add(piece, whom):
        nonlocal out
        first = out.count("\n") + 1
        out += piece
        for line in range(first, out.count("\n") + 2):
            blamed.setdefault(line, whom)

    for (start, end), own in sorted(functions.items()):
        inside, last = body_start(text, start), end - 1
        numbers = [mutant["number"] for mutant in own]
        add(text[done:inside] + " match crate::mutant() {\n", [])
        blamed[out.count("\n")] = numbers
        for mutant in own:
            first, beyond = (offset(text, mutant["span"][side]) for side in ("start", "end"))
            changed = text[inside:first] + " " + mutant["replacement"] + " " + text[beyond:last]
            add(f"{mutant['number']} => {{{changed}}}\n", [mutant["number"]])
        add(f"_ => {{{text[inside:last]}}}\n", numbers)
        out += "}"
        done = last
    return out + text[done:], blamed


def build(package, sources, mutants):
    """Programs of tests by name, the mutants that compile, and those that do not."""
    left_out = []
    while True:
        blame = {}
        for path, text in sources.items():
            own = [mutant for mutant in mutants if mutant["file"] == path]
            planted, blame[path] = plant(text, own)
            (package.parent / path).write_text(planted)
        command = ["cargo", "test", "--no-run", "--message-format=json", "-p", "soakproof"]
        said = subprocess.run(command, cwd=package, stdout=subprocess.PIPE, text=True)
        said_lines = [json.loads(line) for line in said.stdout.splitlines() if line.startswith("{")]
        if said.returncode == 0:
            tests = [line for line in said_lines if line.get("executable")]
            return {line["target"]["name"]: line["executable"] for line in tests}, mutants, left_out
        guilty = set()
        for line in said_lines:
            message = line.get("message") or {}
            for span in message.get("spans", []) if message.get("level") == "error" else []:
                if span["is_primary"]:
                    guilty.update(blame.get(span["file_name"], {}).get(span["line_start"], []))
        assert guilty, said.stdout[-4000:]
        left_out += [mutant for mutant in mutants if mutant["number"] in guilty]
        mutants = [mutant for mutant in mutants if mutant["number"] not in guilty]
        print(f"{len(guilty)} do not compile, {len(mutants)} do", flush=True)


def passes(package, program, arguments, number, patience_s, fits=None):
    """Whether all tests pass; None when they never end. Fits are taken from the folder `fits`, if any."""
    surroundings = {**os.environ, "MUTANT": str(number), "CARGO_MANIFEST_DIR": str(package)}
    if fits:
        surroundings["FITS"] = str(fits)
    surroundings["PROPTEST_DISABLE_FAILURE_PERSISTENCE"] = "1"
    command = [program, "--quiet", *arguments]
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    try:
        return subprocess.run(command, cwd=package, env=surroundings, timeout=patience_s, **quiet).returncode == 0
    except subprocess.TimeoutExpired:
        return None


def main():
    room, folder, names = sys.argv[1], pathlib.Path(sys.argv[2]).resolve(), sys.argv[3]
    package = folder / "rooms"
    prefix, stages = ROOMS[room]
    listed = subprocess.run(
        ["cargo", "mutants", "--list", "--json", "-p", "soakproof"], cwd=folder, stdout=subprocess.PIPE, check=True
    )
    all_of_them = [m for m in json.loads(listed.stdout) if m["file"].startswith(f"rooms/{prefix}")]
    all_of_them = [mutant for mutant in all_of_them if re.search(names, mutant["name"])]
    # What is computed when the program is built cannot be switched later.
    mutants = [mutant for mutant in all_of_them if mutant["function"]]
    for number, mutant in enumerate(mutants, 1):
        mutant["number"] = number
    sources = {path: (folder / path).read_text() for path in {mutant["file"] for mutant in mutants}}
    root = package / "src/lib.rs"
    whole = root.read_text()
    root.write_text(f"#![allow(warnings, arithmetic_overflow, unconditional_panic)]\n{whole}{SWITCH}")
    try:
        programs, mutants, left_out = build(package, sources, mutants)
    finally:
        root.write_text(whole)
        for path, text in sources.items():
            (folder / path).write_text(text)
    # Copies, so that the next room can be built meanwhile.
    kept = folder / room
    kept.mkdir(exist_ok=True)
    programs = {name: shutil.copy(program, kept / name) for name, program in programs.items()}
    fits = kept / "fits"
    fits.mkdir(exist_ok=True)
    patience = []
    for name, arguments in stages:
        begun = time.monotonic()
        assert passes(package, programs[name], arguments, 0, 1800, fits), f"{name} {arguments} fails without a defect"
        patience.append(20 + 8 * (time.monotonic() - begun))
    counts, missed = collections.Counter(), []
    for done, mutant in enumerate(mutants, 1):
        for (name, arguments), most_s in zip(stages, patience):
            reused = None if mutant["file"].endswith("/thermal.rs") else fits
            went = passes(package, programs[name], arguments, mutant["number"], most_s, reused)
            if went is not True:
                break
        counts[{True: "missed", False: "caught", None: "timeout"}[went]] += 1
        if went:
            missed.append(mutant["name"])
            print("missed", mutant["name"], flush=True)
        if done % 100 == 0:
            print(f"{done} of {len(mutants)}: {dict(counts)}", flush=True)
    (kept / "missed").write_text("".join(f"{name}\n" for name in missed))
    (kept / "alone").write_text("".join(f"{mutant['name']}\n" for mutant in left_out))
    unswitched = len(all_of_them) - len(mutants)
    print(f"{room}: {len(all_of_them)} mutants, {dict(counts)}; {unswitched} only by cargo mutants itself")


main()
