# shellcheck shell=sh
# Makes and renews .venv for deploy/start and deploy/check, which source this file.
#
# Safe to run twice, at the same time too, and after an interruption: packages
# are installed where they are missing or changed, a stamp is written last, and
# a .venv that was moved, or whose pip doesn't run, is made anew. pip fetches
# everything before it changes anything, so without a network what worked goes
# on working.

root=$(dirname -- "$(readlink -f -- "$0")")
root=${root%/deploy}
venv=$root/.venv

say() {
    printf '%s\n' "$*" >&2
}

give_up() {
    say "$*"
    exit 1
}

# Prints "ok", or why this Python won't do.
judge_python() {
    "$1" -c '
import sys
version = ".".join(map(str, sys.version_info[:3]))
if sys.version_info < (3, 11):
    print("is Python " + version + ", and Stillair needs 3.11 or later")
elif sys.maxsize < 2**32:
    print("is a 32-bit Python, and some packages exist for 64-bit systems only")
else:
    try:
        import ensurepip, venv
        print("ok")
    except ImportError:
        print("has no venv module; on Debian: sudo apt-get install python3-venv"
              " (or python%d.%d-venv)" % sys.version_info[:2])
' 2>/dev/null || printf 'does not run\n'
}

# Sets $python to the first fit one, or ends with a sentence.
find_python() {
    why=
    for python in python3 python3.13 python3.12 python3.11; do
        command -v "$python" >/dev/null 2>&1 || continue
        verdict=$(judge_python "$python")
        [ "$verdict" = ok ] && return
        why=${why:-"$python $verdict."}
    done
    give_up "${why:-No python3 is installed; on Debian: sudo apt-get install python3 python3-venv}"
}

# Every package is listed, so pip has no dependencies to work out.
pip() {
    "$venv/bin/python" -m pip --quiet --disable-pip-version-check --no-input "$@" --no-deps
}

# prepare_venv PINS: have .venv hold what the file PINS lists, and stillair itself.
prepare_venv() {
    stamp=$venv/installed-$(basename -- "$1" .txt)
    wanted=$(cat -- "$1" "$root/pyproject.toml" | cksum)

    # The lock is held on this file as long as descriptor 9 is open.
    exec 9<"$root/deploy/venv.sh"
    if command -v flock >/dev/null 2>&1; then
        flock -n 9 || { say 'Another start or check is installing; waiting for it.'; flock 9 || :; }
    fi

    # pyvenv.cfg tells where it was made; the programs in a .venv that was moved don't run.
    if ! "$venv/bin/python" -m pip --version >/dev/null 2>&1 ||
        ! grep -qF -- " $venv" "$venv/pyvenv.cfg" 2>/dev/null; then
        find_python
        say "Making $venv with $("$python" --version 2>&1)."
        "$python" -m venv --clear "$venv" || give_up "$venv could not be made; see above."
    fi
    if [ "$(cat -- "$stamp" 2>/dev/null)" != "$wanted" ]; then
        say 'Installing the pinned packages; on a small board this takes some minutes.'
        # What an interrupted run left half installed is installed again.
        again=
        [ -e "$venv/unfinished" ] && again=--force-reinstall
        : >"$venv/unfinished"
        # shellcheck disable=SC2086 # $again is one option or none
        if ! pip install --require-hashes --only-binary :all: $again -r "$1" ||
            ! pip install --no-index --no-build-isolation -e "$root"; then
            give_up 'The packages could not be installed; see above. Is there a network, and room on the disk? What was installed before is kept; run this again.'
        fi
        printf '%s\n' "$wanted" >"$stamp"
        rm -f -- "$venv/unfinished"
    fi
    exec 9<&-
}
