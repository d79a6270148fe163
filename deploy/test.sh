#!/bin/sh
# From a fresh clone to green tests: installs what is missing, checks the code, runs every test.
# Options are handed on to pytest, for example: sh deploy/test.sh -m 'not slow'
set -eu
cd "$(dirname "$0")/.."
. deploy/prepare.sh
need_packages python3 python3-venv mosquitto chromium chromium-driver
make_venv .venv
.venv/bin/python -m pip install --quiet --editable '.[test]'
.venv/bin/ruff format --check .
.venv/bin/ruff check .
.venv/bin/mypy
.venv/bin/lint-imports
exec .venv/bin/pytest "$@"
