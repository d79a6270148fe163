"""Fuzz the parsers guided by coverage: `fuzz_guided.py --seconds 150 [--corpus DIR] [TARGET ...]`.

atheris (the `bench` extra) watches which branches an input reached and goes on from inputs that reached new
ones, so it finds what must be nested just so; `fuzz_parsers.py` finds what is nearly right. Targets and what
has to hold are those of `tests/fuzzing.py`. Each runs in a process of its own for so many seconds. Printed
for each: inputs tried, branches reached, and what failed with its input. Status 1 if anything did; without
atheris one line says so, status 0. With --corpus DIR inputs that reached something new
are kept for next time.
"""

import argparse
import importlib.util
import re
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

TESTS = Path(__file__).resolve().parent.parent
LONGEST_INPUT = 2048
HANG_SECONDS = 10
MEGABYTES = 1024


def run_one(name: str, seconds: float, corpus: str, findings: str) -> None:
    """In a child: never returns, since libFuzzer ends the process."""
    import atheris

    sys.path.insert(0, str(TESTS))
    with atheris.instrument_imports(include=["lugwatch"]):
        from hypothesis import HealthCheck, given, settings

        from fuzzing_bytes import RAW
        from fuzzing_files import TARGETS

    target, raw = TARGETS[name], RAW.get(name)

    @settings(database=None, deadline=None, suppress_health_check=list(HealthCheck))
    @given(target.examples)
    def through_hypothesis(example: Any) -> None:
        target.check(example)

    def straight(data: bytes) -> None:
        assert raw is not None
        target.check(raw.example(data))

    if raw is not None:
        for number, seed in enumerate(raw.seeds):
            (Path(corpus) / f"seed-{number}").write_bytes(seed)
    options = [
        f"-max_total_time={seconds:.0f}", f"-max_len={LONGEST_INPUT}", f"-timeout={HANG_SECONDS}",
        f"-rss_limit_mb={MEGABYTES}", f"-artifact_prefix={findings}/", "-print_final_stats=1",
        "-seed=1",
    ]  # fmt: skip
    run = straight if raw is not None else through_hypothesis.hypothesis.fuzz_one_input
    atheris.Setup([sys.argv[0], *options, corpus], run)
    atheris.Fuzz()


def fuzz(name: str, seconds: float, kept: Path | None) -> bool:
    """Whether the target bore it; says so in one line, and what failed below."""
    with tempfile.TemporaryDirectory(prefix="lugwatch-fuzz-") as place:
        corpus = (kept or Path(place)) / re.sub(r"\W+", "-", name)
        findings = Path(place) / "findings"
        for folder in (corpus, findings):
            folder.mkdir(parents=True, exist_ok=True)
        done = subprocess.run(
            [sys.executable, __file__, "--child", f"{seconds}", str(corpus), str(findings), name],
            capture_output=True, text=True, errors="replace", check=False,
        )  # fmt: skip
        tried = re.search(r"number_of_executed_units:\s*(\d+)", done.stderr)
        covered = re.findall(r"cov: (\d+)", done.stderr)
        found = sorted(findings.iterdir())
        first, last = (covered[0], covered[-1]) if covered else ("0", "0")
        count, verdict = int(tried[1]) if tried else 0, "FAILED" if done.returncode else "no failure"
        print(
            f"{name:20} {count:9} inputs, branches {first} at first, {last} at the end, {verdict}", flush=True
        )
        if done.returncode:
            print(done.stdout[-2000:], done.stderr[-1000:], sep="\n")
            for path in found:
                print(f"{path.name}: {path.read_bytes()!r}")
        return not done.returncode


def main() -> None:
    if sys.argv[1:2] == ["--child"]:
        seconds, corpus, findings, name = sys.argv[2:]
        run_one(name, float(seconds), corpus, findings)
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seconds", type=float, default=150.0, help="for each target")
    parser.add_argument("--corpus", type=Path, help="folder in which inputs are kept from run to run")
    parser.add_argument("target", nargs="*", help="left out: all")
    arguments = parser.parse_args()
    if importlib.util.find_spec("atheris") is None:
        print("nothing was fuzzed: atheris is not installed; pip install '.[bench]', or run fuzz_parsers.py")
        return
    sys.path.insert(0, str(TESTS))
    from fuzzing_files import TARGETS

    unknown = [name for name in arguments.target if name not in TARGETS]
    if unknown or arguments.seconds <= 0:
        known = ", ".join(TARGETS)
        parser.error(f"no such target: {unknown[0]}; one of {known}" if unknown else "--seconds above 0")
    borne = [fuzz(name, arguments.seconds, arguments.corpus) for name in arguments.target or TARGETS]
    sys.exit(0 if all(borne) else 1)


if __name__ == "__main__":
    main()
