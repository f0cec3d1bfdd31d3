# Sourced by the scripts here: moves to the root of the checkout and offers `prepare_environment`.

cd "$(dirname "${BASH_SOURCE[0]}")/.." || exit 1

# Make .venv if it is absent, install iceopt with the extras named (for example "[dev]", or ""), and
# activate it. Installs again only if pyproject.toml, the checkout's place or the extras changed.
prepare_environment() {
    local extras=$1 wanted stamp python
    stamp=".venv/installed$extras"
    wanted="$PWD $(cksum <pyproject.toml)"
    if ! [ -x .venv/bin/python ] || [ "$(cat "$stamp" 2>/dev/null)" != "$wanted" ]; then
        if ! [ -x .venv/bin/python ]; then
            python=$(find_python) || exit 1
            echo "Making .venv with $("$python" --version) ..." >&2
            "$python" -m venv --clear .venv || exit 1
        fi
        echo "Installing iceopt$extras into .venv (a minute or two) ..." >&2
        # What is imported is compiled then: a fraction of what pip would compile now.
        .venv/bin/python -m pip install -q --disable-pip-version-check --no-compile --editable ".$extras" || exit 1
        echo "$wanted" >"$stamp"
    fi
    # Else every command would compile anew what it imports.
    unset PYTHONDONTWRITEBYTECODE
    . .venv/bin/activate
}

# Print the first Python of at least 3.11: $PYTHON alone if it is set, else those on the PATH.
find_python() {
    local candidate
    for candidate in ${PYTHON:-python3 python3.14 python3.13 python3.12 python3.11}; do
        if "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            echo "$candidate"
            return
        fi
    done
    echo "iceopt needs Python 3.11 or newer; found: $("${PYTHON:-python3}" --version 2>/dev/null || echo none)." \
        "Install one, or name it: PYTHON=/path/to/python3.12 $0" >&2
    return 1
}
