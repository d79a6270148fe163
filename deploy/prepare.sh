# Sourced by demo.sh and test.sh; not to be run.

# need_packages NAME...: install Debian packages that are not there yet. Only then is root needed.
need_packages() {
    missing=""
    for name in "$@"; do
        case "$name" in
            python3) command -v python3 >/dev/null 2>&1 || missing="$missing $name" ;;
            # a Python from elsewhere brings its own venv
            python3-venv) python3 -c 'import ensurepip, venv' >/dev/null 2>&1 || missing="$missing $name" ;;
            *) dpkg-query -W -f='${Status}' "$name" 2>/dev/null | grep -q 'ok installed' || missing="$missing $name" ;;
        esac
    done
    [ -n "$missing" ] || return 0
    as_root=""
    if [ "$(id -u)" -ne 0 ]; then
        as_root="sudo"
        command -v sudo >/dev/null 2>&1 || {
            echo "missing:$missing; install them as root, then run this again" >&2
            exit 1
        }
    fi
    echo "installing:$missing" >&2
    $as_root env DEBIAN_FRONTEND=noninteractive apt-get update -qq
    # shellcheck disable=SC2086  # names are words on purpose
    $as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $missing >&2
}

# make_venv DIR: a virtual environment with a current pip, kept when it is already there.
make_venv() {
    [ -x "$1/bin/python" ] || python3 -m venv "$1"
    "$1/bin/python" -m pip install --quiet --upgrade pip
}
