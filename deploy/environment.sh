# Sourced by deploy/try and deploy/check: finds a fitting Python and keeps the project's own environment up to date.
# Needs only Python 3.11 or newer with pip and venv. Nothing outside the checkout is changed.

fitting_python() {
    for name in "${PYTHON:-}" python3 python3.14 python3.13 python3.12 python3.11; do
        [ -n "$name" ] && command -v "$name" >/dev/null 2>&1 || continue
        if "$name" -c 'import sys, struct; sys.exit(not (sys.version_info >= (3, 11) and struct.calcsize("P") == 8))' 2>/dev/null; then
            echo "$name"
            return 0
        fi
    done
    echo "dewpond needs a 64-bit Python 3.11 or newer; none was found. Install one, or name it: PYTHON=/path/to/python $0" >&2
    return 1
}

# bare_environment PYTHON: .venv with pip in it, also where this Python came without the wheels to make pip from.
bare_environment() {
    rm -rf .venv
    "$1" -m venv .venv >/dev/null 2>&1 && .venv/bin/python -m pip --version >/dev/null 2>&1 && return 0
    rm -rf .venv
    "$1" -m venv --without-pip .venv && "$1" -m pip --python .venv/bin/python install --quiet --disable-pip-version-check pip
}

# environment EXTRAS: make .venv if it is absent, and install again when the project's description has changed.
environment() {
    extras=$1
    stamp=".venv/installed-$(printf %s "$extras" | tr -c 'a-z' '-')"
    if [ ! -x .venv/bin/python ] || ! .venv/bin/python -m pip --version >/dev/null 2>&1; then
        python=$(fitting_python) || return 1
        echo "Making the environment in .venv ..." >&2
        bare_environment "$python" || {
            rm -rf .venv
            echo "Python's venv module is missing or broken; on Debian: apt-get install python3-venv" >&2
            return 1
        }
    fi
    if [ ! -e "$stamp" ] || [ pyproject.toml -nt "$stamp" ]; then
        echo "Installing dewpond with: $extras (some minutes the first time) ..." >&2
        .venv/bin/python -m pip install --quiet --disable-pip-version-check --upgrade 'pip>=24' || return 1
        .venv/bin/python -m pip install --quiet --disable-pip-version-check -e ".[$extras]" || return 1
        touch "$stamp"
    fi
    # A first start that has to compile everything would need several megabytes more for as long as it lives.
    .venv/bin/python -m compileall -q daemon drivers sim
}
