#!/bin/sh
# Builds what is released: wheel, sdist and their SHA-256 sums, and looks whether the wheel is whole.
#   sh deploy/release.sh [--out DIR]      DIR is dist here when left out; it must hold no earlier build
# The check-list is deploy/release.md.
set -eu
cd "$(dirname "$0")/.."
. deploy/prepare.sh

fail() {
    echo "release.sh: $1" >&2
    exit "${2:-1}"
}

out="dist"
while [ $# -gt 0 ]; do
    case "$1" in
        --out) shift; out="${1:?--out needs a folder}" ;;
        *) fail "$1 is no option; see the head of this file" 2 ;;
    esac
    shift
done

version="$(sed -n 's/^version = "\(.*\)"$/\1/p' pyproject.toml)"
inside="$(sed -n 's/^__version__ = "\(.*\)"$/\1/p' daemon/lugwatch/__init__.py)"
[ -n "$version" ] && [ "$version" = "$inside" ] || fail "pyproject.toml says $version, daemon/lugwatch/__init__.py $inside; make them one" 2
newest="$(sed -n 's/^## \([^ ,]*\).*$/\1/p' deploy/CHANGELOG.md | head -n 1)"
[ "$newest" = "$version" ] || fail "deploy/CHANGELOG.md begins with $newest and not with $version; say what is new" 2
[ -z "$(ls "$out"/lugwatch-* 2>/dev/null)" ] || fail "$out holds an earlier build; move it away" 2

work="$(mktemp -d)"
trap 'rm -rf "$work"' EXIT
make_venv "$work/tools"
"$work/tools/bin/python" -m pip install --quiet build
# the wheel is built from the sdist, so what the sdist lacks is found here
"$work/tools/bin/python" -m build --outdir "$out" . >"$work/log" 2>&1 || { cat "$work/log" >&2; fail "it was not built"; }

wheel="lugwatch-$version-py3-none-any.whl"
# as on a boat: no network, nothing built, into a place of its own
"$work/tools/bin/python" -m pip install --quiet --no-index --no-deps --target "$work/place" "$out/$wheel"
"$work/tools/bin/python" - "$work/place" <<'PY'
import sys
from pathlib import Path

sys.path.insert(0, "web")
import build_hook

package = Path(sys.argv[1]) / "lugwatch"
parts = [f"dashboard/built/{name}" for name in (*build_hook.BUILT, build_hook.STAMP)] + ["py.typed", "cli/main.py"]
missing = [part for part in parts if not (package / part).is_file()]
if missing:
    sys.exit(f"release.sh: the wheel lacks {', '.join(missing)}")
PY
(cd "$out" && sha256sum "$wheel" "lugwatch-$version.tar.gz" >SHA256SUMS && cat SHA256SUMS)
