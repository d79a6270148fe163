#!/bin/sh
# From a fresh clone to a running demo: installs what is missing, then `lugwatch demo`.
# Options are handed on, for example: sh deploy/demo.sh --speed 200 --no-browser --for 60
set -eu
cd "$(dirname "$0")/.."
. deploy/prepare.sh
need_packages python3 python3-venv
make_venv .venv
.venv/bin/python -m pip install --quiet '.[demo]'
exec .venv/bin/lugwatch demo "$@"
