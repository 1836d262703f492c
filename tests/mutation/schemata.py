"""The sources with all their mutants in them, compiled into one program: in build/mutation."""

import concurrent.futures
import glob
import hashlib
import json
import os
import pickle
import re
import subprocess
import sys

import sites as finder

HERE = os.path.dirname(os.path.abspath(__file__))
HOUSE = os.path.dirname(os.path.dirname(HERE))
OUT = os.path.join(HOUSE, "build", "mutation")

# What decides; shells (threads, sockets, the clock) and the words for people are left out.
FILES = re.compile(r"safety/(dead_man/)?(budget|channel_\w+|condition_gone|cut|cut_chain|cut_sheet|facts|flow|gate"
                   r"|guard|interlock|leads|limits|limits_copy|line|outbox|permissives|pulse|render|resting_voltage"
                   r"|rise|rules|run_transitions|schedule|stuck|tally|transitions|warming|watch|wires)\.(h|cpp)")
APART = 1000  # most mutants of one file; switch.h has room for 100 files
INCLUDES = [f"-I{OUT}/src", f"-I{HOUSE}", f"-I{HERE}"]
FLAGS = ["-std=c++20", "-O1", "-w", "-Wno-c++11-narrowing", "-ferror-limit=0", "-fbracket-depth=2048",
         "-DSPDLOG_FMT_EXTERNAL", "-DBOOST_ASIO_NO_DEPRECATED", "-DBOOST_ASIO_DISABLE_BOOST_REGEX",
         f'-DCHARGEWRIGHT_SOURCE="{HOUSE}"', f'-DCHARGEWRIGHT_BUILD="{OUT}"']


def room():
    """Every source of safety/ but the dead-man's main and the generator of the model."""
    names = [os.path.relpath(os.path.join(at, name), HOUSE)
             for at, _, some in os.walk(f"{HOUSE}/safety") for name in some if name.endswith((".h", ".cpp"))]
    return sorted(n for n in names if not n.startswith("safety/model/") and n != "safety/dead_man/program.cpp")


def sources(wanted):
    return [name for name in room() if (name in wanted if wanted else FILES.fullmatch(name))]


def write(path, text):
    """Only where it differs, so that nothing is compiled in vain."""
    os.makedirs(os.path.dirname(path), exist_ok=True)
    if not os.path.exists(path) or open(path).read() != text:
        with open(path, "w") as file:
            file.write(text)


def found_in(file):
    """finder.find, remembered for as long as the file is the same: it takes seconds for each."""
    made_of = open(f"{HERE}/sites.py", "rb").read() + open(f"{HOUSE}/{file}", "rb").read()
    digest = hashlib.sha256(file.encode() + made_of).hexdigest()
    kept = f"{OUT}/sites/{digest}"
    if os.path.exists(kept):
        with open(kept, "rb") as cache:
            return pickle.load(cache)
    found = finder.find(f"{HOUSE}/{file}", ["-std=c++20", f"-I{HOUSE}"])
    os.makedirs(f"{OUT}/sites", exist_ok=True)
    with open(kept, "wb") as cache:
        pickle.dump(found, cache)
    return found


def key_of(mutant):
    return (mutant["file"], mutant["function"], mutant["change"])


class Mutants:
    """All changes, numbered; those that the compiler refuses are dropped."""

    def __init__(self, files):
        self.list, self.places = [], {}  # id -> facts; (file, line in the copy) -> id
        self.sources = {}
        self.dropped = set()
        with concurrent.futures.ProcessPoolExecutor(2) as pool:
            found = list(pool.map(found_in, files))
        times = {}
        for place, (file, (text, sites)) in enumerate(sorted(zip(files, found))):
            # A file's numbers are its own, so that a change in one compiles no other anew.
            numbers, first = {}, place * APART
            assert sum(len(site.alternatives) for site in sites) <= APART, file
            for site in sorted(sites, key=lambda s: (s.start, -s.end)):
                for index, (change, _) in enumerate(site.alternatives):
                    id = numbers[(site.start, site.end, index)] = first + len(numbers)
                    mutant = {"id": id, "file": file, "line": site.line,
                              "function": site.function, "change": change}
                    times[key_of(mutant)] = nth = times.get(key_of(mutant), 0) + 1
                    if nth > 1:
                        mutant["change"] += f" (no. {nth})"
                    self.list.append(mutant)
            self.sources[file] = (text, sites, numbers)
        # What the compiler refused before, it refuses again.
        if os.path.exists(f"{OUT}/refused.json"):
            refused = {tuple(key) for key in json.load(open(f"{OUT}/refused.json"))}
            self.dropped = {m["id"] for m in self.list if key_of(m) in refused}

    def remember_refused(self):
        with open(f"{OUT}/refused.json", "w") as file:
            json.dump([key_of(m) for m in self.list if m["id"] in self.dropped], file)

    def write(self):
        self.places.clear()
        for file in room():
            if file not in self.sources:
                write(f"{OUT}/src/{file}", open(f"{HOUSE}/{file}").read())
        for file, (text, sites, numbers) in self.sources.items():
            def number(site, index, numbers=numbers):
                mutant = numbers[(site.start, site.end, index)]
                return None if mutant in self.dropped else mutant
            # The first include has a line of its own in every file of the house.
            body = finder.render(text, sites, number)
            first = body.index("#include")
            body = body[:first] + '#include "switch.h"\n' + body[first:]
            # What the compiler proves of a table elsewhere: a table with mutants is made too late.
            body = re.sub(r"static_assert\((row_of\([^;]*)\);", r"if (!(\1)) std::abort();", body)
            write(f"{OUT}/src/{file}", body)
            for line, content in enumerate(body.split("\n"), 1):
                match = re.match(r"mutation::(?:is|asks)\((\d+)\)", content)
                if match:
                    self.places[(file, line)] = int(match.group(1))

    def as_built(self):
        """Those in the copy that was compiled."""
        there = set()
        for file in self.sources:
            there |= {int(n) for n in re.findall(r"mutation::(?:is|asks)\((\d+)\)", open(f"{OUT}/src/{file}").read())}
        self.dropped = {m["id"] for m in self.list} - there

    def drop_what_does_not_compile(self, errors):
        """Mutants that the compiler refuses are none; True if some were found."""
        for kind in ("error", "note"):  # a note may only say by which way it came to an error
            before = len(self.dropped)
            for match in re.finditer(rf"src/(safety/[\w/]+\.\w+):(\d+):\d+: (?:fatal )?{kind}", errors):
                mutant = self.places.get((match.group(1), int(match.group(2))))
                if mutant is not None:
                    self.dropped.add(mutant)
            if len(self.dropped) > before:
                return True
        return False


CXX = ["clang++", *FLAGS, *INCLUDES]


def outdated(unit, headers):
    """Where its object was made of something else."""
    target = object_of(unit)
    made_of = hashlib.sha256(headers + open(unit, "rb").read()).hexdigest()
    try:
        return open(target + ".of").read() != made_of
    except FileNotFoundError:
        return True
    finally:
        write(target + ".next", made_of)


def compiled(units, *how):
    """Compiles what is outdated; returns what the compiler says of those that it refuses."""
    headers = " ".join([*CXX, *how]).encode() + b"".join(
        open(path, "rb").read() for path in sorted(
            glob.glob(f"{OUT}/src/safety/**/*.h", recursive=True) + glob.glob(f"{HOUSE}/tests/unit/safety/*.h") +
            glob.glob(f"{HOUSE}/drivers/**/*.h", recursive=True)) + [f"{HERE}/prelude.h", f"{HERE}/switch.h"])

    def one(unit):
        target = object_of(unit)
        if not outdated(unit, headers):
            return ""
        done = subprocess.run([*CXX, *how, unit, "-o", target], capture_output=True, text=True)
        if done.returncode == 0:
            os.replace(target + ".next", target + ".of")
            return ""
        return done.stderr or f"{unit}: no answer\n"

    with concurrent.futures.ThreadPoolExecutor(2) as pool:
        return "".join(pool.map(one, units))


def object_of(unit):
    return f"{OUT}/objects/" + unit.replace("/", "_") + ".o"


def build(mutants):
    own = [f"{OUT}/src/{name}" for name in room() if name.endswith(".cpp")]
    tests = [*sorted(glob.glob(f"{HOUSE}/tests/unit/safety/*.cpp")), f"{HOUSE}/tests/support/places.cpp",
             f"{HERE}/listener.cpp"]
    os.makedirs(f"{OUT}/objects", exist_ok=True)
    mutants.write()
    # What no mutant is in is read once.
    prelude = f"{HERE}/prelude.h"
    errors = compiled([prelude], "-x", "c++-header")
    while own and not errors:
        mutants.write()
        errors = compiled(own, "-include-pch", object_of(prelude), "-c")
        if not errors:
            break
        if mutants.drop_what_does_not_compile(errors):
            errors = ""
    mutants.remember_refused()
    errors = errors or compiled(tests, "-include-pch", object_of(prelude), "-c")
    if errors:
        sys.exit("mutation: this does not compile, with no mutant to blame:\n" + errors[:6000])
    for command in (["--preset", "release"],
                    ["--build", "--preset", "release", "--target", "chargewright_drivers", "chargewright_simulated"]):
        subprocess.run(["cmake", *command], cwd=HOUSE, check=True, stdout=subprocess.DEVNULL)
    libraries = [f"{HOUSE}/build/release/drivers/libchargewright_{l}.a" for l in ("simulated", "drivers")]
    subprocess.run(["clang++", "-o", f"{OUT}/mutants", *map(object_of, own + tests), *libraries, "-lgtest", "-lgmock",
                    "-lyaml-cpp", "-lserialport", "-lpthread"], check=True)
