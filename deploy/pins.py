"""What lugwatch installs beside itself, to the byte: `python deploy/pins.py make | check`.

`make` asks pip (network, nothing is installed) which release of each package this pyproject gives today, and
writes `deploy/pins/`: one list for what always runs, one for each optional part with what comes on top of it.
Each entry says its licence, what it needs, and every wheel with its SHA-256 for x86-64 and arm64, and for
armhf where there is one. `check` reads them back without network and says what is missing; `install.sh`
hands them to pip with --require-hashes. Needs `packaging`, and pip for `make`.
"""

import json
import re
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from packaging.markers import default_environment
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name, parse_wheel_filename

HERE = Path(__file__).resolve().parent
LISTS = HERE / "pins"
ALWAYS = "base"
PARTS = (
    "demo",
    "push",
    "gpio",
    "parquet",
    "photos",
)  # optional parts an owner may install; not test and bench
PYTHONS = ("3.11", "3.12", "3.13", "3.14")
MACHINES = {"x86_64": "x86-64", "aarch64": "arm64", "armv7l": "armhf"}
MUST = ("x86_64", "aarch64")  # every package has a wheel for these; for armhf not
# Named here, so that a new gap is noticed; the installer fails there, and says that --newest is left
KNOWN_GAPS = {("lgpio", "3.13", "aarch64"), ("lgpio", "3.14", "aarch64")}
GLIBC_MINORS = range(5, 37)  # Debian 12 has 2.36
_SPELLED = {"unlicense.org": "Unlicense"}  # as SPDX has it
HEAD = """\
# Written by deploy/pins.py, not by hand. For pip's --require-hashes; wheels only, for Linux with glibc,
# Python {pythons}, on {machines}.
"""


@dataclass(slots=True)
class Pin:
    """One package: its name as pip compares names, and its files with their sums."""

    name: str
    version: str
    licence: str
    needs: set[str] = field(default_factory=set)
    marker: str = ""
    sums: dict[str, str] = field(default_factory=dict)  # file name -> SHA-256

    def covers(self, python: str, machine: str) -> bool:
        """Whether one of its wheels runs there."""
        return any(_runs(name, python, machine) for name in self.sums)


def _runs(wheel: str, python: str, machine: str) -> bool:
    number = python.replace(".", "")
    for tag in parse_wheel_filename(wheel)[3]:
        here = tag.platform == "any" or (tag.platform.endswith(machine) and "musl" not in tag.platform)
        abi3 = tag.abi == "abi3" and int(tag.interpreter[3:]) <= int(number[1:])
        plain = tag.interpreter.startswith("py3") and tag.abi == "none"
        if here and (
            plain or abi3 or (tag.interpreter == f"cp{number}" and tag.abi in (tag.interpreter, "none"))
        ):
            return True
    return False


def asked(part: str) -> list[Requirement]:
    """What pyproject.toml asks for: always, or for this optional part."""
    project = tomllib.loads((HERE.parent / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    lines = project["dependencies"] if part == ALWAYS else project["optional-dependencies"][part]
    return [Requirement(line) for line in lines]


# ---- make -------------------------------------------------------------------------------------------


def _environments() -> list[dict[str, str]]:
    found = []
    for python in PYTHONS:
        for machine in MACHINES:
            here = {key: str(value) for key, value in default_environment().items()}
            here |= {
                "python_version": python, "python_full_version": f"{python}.0", "platform_machine": machine,
                "implementation_version": f"{python}.0",
            }  # fmt: skip
            found.append(here)
    return found


def _ask_pip(
    words: Iterable[str], python: str, machine: str, *, alone: bool
) -> list[dict[str, object]] | None:
    """pip's report of what it would take; None where it finds no wheel for something."""
    platforms = [f"manylinux_2_{minor}_{machine}" for minor in GLIBC_MINORS]
    platforms += [f"manylinux{year}_{machine}" for year in ("1", "2010", "2014")] + [f"linux_{machine}"]
    with tempfile.TemporaryDirectory() as place:
        done = subprocess.run(
            [
                sys.executable, "-m", "pip", "install", "--quiet", "--dry-run", "--ignore-installed",
                "--report", "-", "--only-binary", ":all:", "--implementation", "cp",
                "--python-version", python, "--target", place, *(["--no-deps"] if alone else []),
                *(word for platform in platforms for word in ("--platform", platform)), *words,
            ],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
    if done.returncode:
        if "No matching distribution" in done.stderr:
            return None
        sys.exit(f"pins.py: pip: {done.stderr.strip()[-500:]}")
    installs: list[dict[str, object]] = json.loads(done.stdout)["install"]
    return installs


def _licence(metadata: dict[str, object]) -> str:
    """SPDX where the package says it, else its classifiers, else its own word."""
    if isinstance(said := metadata.get("license_expression"), str):
        return said
    classes = [c.rsplit(" :: ", 1)[1] for c in metadata.get("classifier", ()) if c.startswith("License :: ")]  # type: ignore[attr-defined]
    if classes:
        return ", ".join(classes)
    first = str(metadata.get("license") or "").strip().splitlines()
    return _SPELLED.get(first[0], first[0])[:80] if first else "not said"


def _resolve(roots: list[Requirement]) -> dict[str, dict[str, object]]:
    """Metadata of every package that any environment needs, by its name.

    pip weighs markers by the machine it runs on, so what another machine needs is asked for by name.
    """
    words = {f"{r.name}{r.specifier}" for r in roots}
    while True:
        report = _ask_pip(sorted(words), PYTHONS[0], MUST[0], alone=False)
        if report is None:  # a package for another machine alone
            report = _ask_pip(sorted(words), PYTHONS[0], MUST[1], alone=False)
        if report is None:
            sys.exit("pins.py: pip finds no wheels for what pyproject.toml asks for")
        found = {canonicalize_name(one["metadata"]["name"]): one["metadata"] for one in report}  # type: ignore[index]
        missing = {
            need
            for metadata in found.values()
            for here in _environments()
            for need in _needs(metadata, here)  # type: ignore[arg-type]
            if need not in found
        }
        if not missing:
            return found  # type: ignore[return-value]
        words |= missing


def _needs(metadata: dict[str, object], here: dict[str, str], extras: Iterable[str] = ()) -> set[str]:
    found = set()
    for line in metadata.get("requires_dist", ()):  # type: ignore[attr-defined]
        one = Requirement(line)
        chosen = [{**here, "extra": extra} for extra in ("", *extras)]
        if one.marker is None or any(one.marker.evaluate(environment) for environment in chosen):
            found.add(canonicalize_name(one.name))
    return found


def _closure(part: str, known: dict[str, dict[str, object]], here: dict[str, str]) -> set[str]:
    waiting = [canonicalize_name(r.name) for r in asked(part) if r.marker is None or r.marker.evaluate(here)]
    found: set[str] = set()
    while waiting:
        name = waiting.pop()
        if name not in found:
            found.add(name)
            waiting += _needs(known[name], here)
    return found


def _marker(there: set[tuple[str, str]]) -> str:
    """Where a package is needed, in pip's words; empty for everywhere."""
    pythons = [p for p in PYTHONS if any(p == python for python, _ in there)]
    machines = [m for m in MACHINES if any(m == machine for _, machine in there)]
    if len(there) != len(pythons) * len(machines):
        sys.exit(f"pins.py: no marker for {sorted(there)}")
    words = []
    if len(pythons) < len(PYTHONS):
        words.append(" or ".join(f'python_version == "{p}"' for p in pythons))
    if len(machines) < len(MACHINES):
        words.append(" or ".join(f'platform_machine == "{m}"' for m in machines))
    return " and ".join(f"({one})" if " or " in one and len(words) > 1 else one for one in words)


def _wheels(pins: dict[str, Pin]) -> None:
    """Every wheel that one of the machines would be given."""
    for python in PYTHONS:
        for machine in MACHINES:
            here = [p for p in pins.values() if not p.covers(python, machine)]
            here = [p for p in here if not p.marker or machine in p.marker]
            # one question for all; one for each where some have none there
            for some in [here] if here and _ask(here, python, machine) else [[p] for p in here]:
                for one in _ask(some, python, machine) or ():
                    name = canonicalize_name(one["metadata"]["name"])  # type: ignore[index]
                    info = one["download_info"]
                    file = info["url"].rsplit("/", 1)[1].replace("%2B", "+")  # type: ignore[index]
                    pins[name].sums[file] = info["archive_info"]["hashes"]["sha256"]  # type: ignore[index]


def _ask(pins: list[Pin], python: str, machine: str) -> list[dict[str, object]] | None:
    return _ask_pip([f"{p.name}=={p.version}" for p in pins], python, machine, alone=True)


def make() -> None:
    roots = [r for part in (ALWAYS, *PARTS) for r in asked(part)]
    known = _resolve(roots)
    places = {
        (part, here["python_version"], here["platform_machine"]): _closure(part, known, here)
        for part in (ALWAYS, *PARTS)
        for here in _environments()
    }
    pins = {
        name: Pin(
            name=name,
            version=str(metadata["version"]),
            licence=_licence(metadata),
            needs={need for here in _environments() for need in _needs(metadata, here)},
        )
        for name, metadata in known.items()
    }
    for pin in pins.values():
        pin.marker = _marker({(p, m) for (_, p, m), names in places.items() if pin.name in names})
    _wheels(pins)
    always = {name for (part, _, _), names in places.items() if part == ALWAYS for name in names}
    LISTS.mkdir(exist_ok=True)
    for part in (ALWAYS, *PARTS):
        names = {name for (p, _, _), found in places.items() if p == part for name in found}
        text = HEAD.format(pythons=f"{PYTHONS[0]} to {PYTHONS[-1]}", machines=", ".join(MACHINES.values()))
        for name in sorted(names if part == ALWAYS else names - always):
            text += "\n" + _entry(pins[name])
        (LISTS / f"{part}.txt").write_text(text, encoding="utf-8")


def _entry(pin: Pin) -> str:
    lines = [f"# licence: {pin.licence}", f"# needs: {', '.join(sorted(pin.needs)) or 'nothing'}"]
    lines += [f"# wheel: {name}" for name in sorted(pin.sums)]
    hashes = "".join(f" \\\n    --hash=sha256:{pin.sums[name]}" for name in sorted(pin.sums))
    return (
        "\n".join(lines) + f"\n{pin.name}=={pin.version}{f' ; {pin.marker}' if pin.marker else ''}{hashes}\n"
    )


# ---- check ------------------------------------------------------------------------------------------


def read(part: str) -> dict[str, Pin]:
    """The pins of one list, by name. ValueError with the line where it is not as `make` writes it."""
    pins: dict[str, Pin] = {}
    path = LISTS / f"{part}.txt"
    for block in path.read_text(encoding="utf-8").split("\n\n")[1:]:
        licence = re.search(r"^# licence: (.+)$", block, re.MULTILINE)
        needs = re.search(r"^# needs: (.+)$", block, re.MULTILINE)
        head = re.search(r"^([a-z0-9-]+)==([^\s;]+)(?: ; (.+?))?(?: \\)?$", block, re.MULTILINE)
        wheels = re.findall(r"^# wheel: (\S+\.whl)$", block, re.MULTILINE)
        sums = re.findall(r"^    --hash=sha256:([0-9a-f]{64})(?: \\)?$", block, re.MULTILINE)
        if licence is None or needs is None or head is None or len(wheels) != len(sums):
            raise ValueError(f"{path.name}: not an entry: {block[:120]!r}")
        pins[head[1]] = Pin(
            name=head[1], version=head[2], licence=licence[1], marker=head[3] or "",
            needs=set() if needs[1] == "nothing" else set(needs[1].split(", ")),
            sums=dict(zip(wheels, sums, strict=True)),
        )  # fmt: skip
    return pins


def faults(lists: dict[str, dict[str, Pin]]) -> list[str]:
    """What is missing of the lists (part -> name -> pin), a line each; empty when they are whole."""
    found: list[str] = []
    for part, pins in lists.items():
        whole = lists[ALWAYS] | pins
        for one in asked(part):
            pin = whole.get(canonicalize_name(one.name))
            if pin is None:
                found.append(f"{part}: {one.name} is asked for and not pinned; run deploy/pins.py make")
            elif not one.specifier.contains(pin.version, prereleases=True):
                found.append(f"{part}: {one.name} is pinned to {pin.version}, asked for is {one.specifier}")
        wanted = {canonicalize_name(one.name) for one in asked(part)}
        wanted |= {need for pin in whole.values() for need in pin.needs}
        found += [f"{part}: {name} is needed by nobody" for name in pins if name not in wanted]
        for pin in pins.values():
            found += [
                f"{part}: {pin.name} needs {n}, not pinned" for n in sorted(pin.needs) if n not in whole
            ]
            found += [
                f"{part}: {pin.name}: wheels for Python {python} on {MACHINES[machine]} are not as expected"
                for python in PYTHONS
                for machine in MUST
                if pin.covers(python, machine) == ((pin.name, python, machine) in KNOWN_GAPS)
                and (not pin.marker or machine in pin.marker)
            ]
            if pin.licence == "not said":
                found.append(f"{part}: {pin.name} says no licence")
    return found


def without_armhf(pins: dict[str, Pin]) -> list[str]:
    """Packages that a 32-bit ARM board would have to build for some Python."""
    return sorted(p.name for p in pins.values() if not all(p.covers(v, "armv7l") for v in PYTHONS))


def main() -> None:
    if sys.argv[1:] == ["make"]:
        make()
    elif sys.argv[1:] != ["check"]:
        sys.exit(__doc__)
    lists = {part: read(part) for part in (ALWAYS, *PARTS)}
    found = faults(lists)
    for part, pins in lists.items():
        wheels = sum(len(pin.sums) for pin in pins.values())
        lacking = ", ".join(without_armhf(pins)) or "none"
        sys.stdout.write(f"{part}: {len(pins)} packages, {wheels} wheels; without one for armhf: {lacking}\n")
    licences = sorted({pin.licence for pins in lists.values() for pin in pins.values()})
    sys.stdout.write(f"licences: {'; '.join(licences)}\n")
    if found:
        sys.exit("\n".join(found))


if __name__ == "__main__":
    main()
