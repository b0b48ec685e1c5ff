#!/usr/bin/env bash
# Makes sure that the server programs of PostgreSQL (version 15 or later) are on this machine, so that tackfree can run
# its private cluster. On Debian and Ubuntu they are installed when missing; elsewhere this says what to install and
# ends with 1. Nothing is started, and no system-wide database is created.
set -euo pipefail

readonly oldest=15

# The major version of the server programs in a folder; nothing if they are not both there.
major_in() {
    [[ -x $1/postgres && -x $1/initdb ]] || return 0
    "$1/postgres" --version | sed -nE 's/^.*\(PostgreSQL\) ([0-9]+).*$/\1/p'
}

# The first folder with programs that are new enough, looked for where tackfree itself looks.
find_programs() {
    local folder major
    local -a folders=()
    if [[ -n ${TACKFREE_POSTGRES_BINARIES:-} ]]; then
        folders=("$TACKFREE_POSTGRES_BINARIES")
    else
        local on_path
        if on_path=$(command -v postgres); then
            folders+=("$(dirname "$(readlink -f "$on_path" 2>/dev/null || echo "$on_path")")")
        fi
        folders+=(/usr/lib/postgresql/*/bin /usr/pgsql-*/bin /usr/lib/postgresql*/bin /usr/libexec/postgresql*
            /opt/homebrew/opt/postgresql@*/bin /usr/local/opt/postgresql@*/bin
            /home/linuxbrew/.linuxbrew/opt/postgresql@*/bin
            /Applications/Postgres.app/Contents/Versions/*/bin)
    fi
    for folder in "${folders[@]}"; do
        major=$(major_in "$folder")
        if [[ -n $major && $major -ge $oldest ]]; then
            echo "PostgreSQL $major in $folder"
            return 0
        fi
    done
    return 1
}

as_root() {
    if [[ $(id -u) -eq 0 ]]; then
        "$@"
    elif command -v sudo >/dev/null; then
        sudo "$@"
    else
        echo "This needs root, and there is no sudo. As root, run: $*" >&2
        return 1
    fi
}

# Debian's package would create and start a cluster for the whole machine. If its configuration is not there yet,
# nobody relies on that, and we ask it not to; a machine that has been configured keeps its ways.
no_system_cluster() {
    local file=/etc/postgresql-common/createcluster.conf
    [[ -e $file ]] && return 0
    echo "Asking the package not to create a system-wide database ($file)."
    as_root mkdir -p "${file%/*}"
    echo 'create_main_cluster = false' | as_root tee "$file" >/dev/null
}

install_on_debian() {
    local offered
    echo "PostgreSQL's server programs are missing: installing the package postgresql with apt-get."
    no_system_cluster
    as_root apt-get update --quiet
    offered=$(apt-cache show postgresql 2>/dev/null | sed -nE 's/^Version: ([0-9]+).*$/\1/p' | sort -n | tail -n 1)
    if [[ -z $offered || $offered -lt $oldest ]]; then
        echo "This release offers PostgreSQL ${offered:-(none)}, but version $oldest or later is needed." >&2
        echo "PostgreSQL's own packages have it. To add them:" >&2
        echo "  apt-get install postgresql-common && /usr/share/postgresql-common/pgdg/apt.postgresql.org.sh" >&2
        echo "Then run this script again." >&2
        return 1
    fi
    # The package would ask whether to keep the file written above: keep it.
    as_root env DEBIAN_FRONTEND=noninteractive UCF_FORCE_CONFFOLD=1 \
        apt-get install --yes --no-install-recommends postgresql
}

say_what_to_install() {
    echo "PostgreSQL's server programs, version $oldest or later, are missing. Please install them:" >&2
    case "$(uname -s) $(sed -nE 's/^ID(_LIKE)?=//p' /etc/os-release 2>/dev/null | tr '\n' ' ')" in
        Darwin*) echo "  brew install postgresql@17" >&2 ;;
        *fedora* | *rhel*) echo "  sudo dnf install postgresql-server" >&2 ;;
        *suse*) echo "  sudo zypper install postgresql-server" >&2 ;;
        *arch*) echo "  sudo pacman -S postgresql" >&2 ;;
        *alpine*) echo "  apk add postgresql" >&2 ;;
        *) echo "  the package that holds \`postgres\` and \`initdb\`, often postgresql or postgresql-server" >&2 ;;
    esac
    echo "or let TACKFREE_POSTGRES_BINARIES name the folder that holds \`postgres\` and \`initdb\`." >&2
}

if found=$(find_programs); then
    echo "Nothing to install: $found."
elif [[ -n ${TACKFREE_POSTGRES_BINARIES:-} ]]; then
    echo "TACKFREE_POSTGRES_BINARIES=$TACKFREE_POSTGRES_BINARIES does not hold PostgreSQL $oldest or later." >&2
    exit 1
elif command -v apt-get >/dev/null; then
    install_on_debian
    found=$(find_programs) || { echo "The package was installed, but its programs were not found." >&2; exit 1; }
    echo "Installed: $found."
else
    say_what_to_install
    exit 1
fi
