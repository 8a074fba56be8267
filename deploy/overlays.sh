# shellcheck shell=sh
# Switches on, in config.txt of a Raspberry Pi, the buses that sensors need. For
# deploy/install, which sources this file: asked, shown, and taken back by --remove.

begin='# stillair: begin'
end='# stillair: end'

boot_file() {
    for found in "$under/boot/firmware/config.txt" "$under/boot/config.txt"; do
        [ -f "$found" ] && ! [ -L "$found" ] && printf '%s\n' "$found" && return 0
    done
    return 0
}

line_of() {
    case $1 in
    w1-gpio) printf 'dtoverlay=w1-gpio\n' ;;
    spi) printf 'dtparam=spi=on\n' ;;
    i2c) printf 'dtparam=i2c_arm=on\n' ;;
    *) give_up "There is no overlay $1 here; w1-gpio, spi and i2c are known." ;;
    esac
}

# has LINE < FILE: alone, or with more behind a comma.
has() {
    grep -q "^$1\\([,[:space:]]\\|\$\\)"
}

without_block() {
    sed "/^$begin\$/,/^$end\$/d" "$1"
}

# change FILE NEW SURE: shows what would change, and does it if that is wanted.
change() {
    diff -u -- "$1" "$2" >&2 && rm -f -- "$2" && return 0
    if [ -n "$3" ] || ask "Change $1 so? What it was is kept as $1.before-stillair."; then
        [ -e "$1.before-stillair" ] || cp -p -- "$1" "$1.before-stillair"
        sync -f "$2" 2>/dev/null || :
        mv -f -- "$2" "$1"
        say "$1 is changed; that counts from the next start of the board."
    else
        rm -f -- "$2"
        say "$1 is left as it was."
        return 1
    fi
}

overlays() {
    boot=$(boot_file)
    if [ -z "$boot" ]; then
        [ -z "$wanted_overlays" ] || give_up 'There is no config.txt under /boot: this board has no overlays to switch on.'
        return 0
    fi
    chosen=$wanted_overlays
    if [ -z "$chosen" ]; then
        for overlay in w1-gpio spi i2c; do
            has "$(line_of "$overlay")" <"$boot" && continue
            ask "Switch on $overlay, for sensors on it?" && chosen="$chosen $overlay"
        done
    fi
    [ -n "$chosen" ] || return 0
    # What an earlier run switched on stays.
    lines=$(sed -n "/^$begin\$/,/^$end\$/s/^dt/dt/p" "$boot")
    for overlay in $chosen; do
        line=$(line_of "$overlay")
        has "$line" <"$boot" || lines="$lines
$line"
    done
    if [ -n "$lines" ]; then
        # The last line of the file may lack its end.
        {
            without_block "$boot" | awk 1
            printf '%s\n[all]\n' "$begin"
            printf '%s\n' "$lines" | sed '/^$/d'
            printf '%s\n' "$end"
        } >"$boot.new"
        change "$boot" "$boot.new" "$wanted_overlays" || return 0
    fi
    # The bus alone makes no /dev/i2c-1.
    case " $chosen " in *' i2c '*)
        install -d -- "${modules%/*}"
        printf 'i2c-dev\n' >"$modules"
        ;;
    esac
}

# overlays_back: config.txt without what stands there for Stillair.
overlays_back() {
    boot=$(boot_file)
    if [ -n "$boot" ] && grep -q "^$begin\$" "$boot"; then
        without_block "$boot" >"$boot.new"
        change "$boot" "$boot.new" yes
    fi
}
