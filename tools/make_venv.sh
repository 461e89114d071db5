#!/bin/sh
# Make the virtual environment with a Python that is new enough: make_venv.sh DIRECTORY [PYTHON]
set -eu
directory=$1
wanted=${2:-}

is_new_enough() {
  "$1" -c 'import sys; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1
}

found=
for each in ${wanted:-python3 python3.11 python3.12 python3.13 python3.14}; do
  if is_new_enough "$each"; then
    found=$each
    break
  fi
done
if [ -z "$found" ]; then
  echo "Wherry needs Python 3.11 or newer; ${wanted:-python3} here is: $("${wanted:-python3}" --version 2>&1 || true)" >&2
  echo "Install one, or name it: make PYTHON=/path/to/python3.11 demo" >&2
  exit 2
fi
if ! "$found" -c 'import venv, ensurepip' >/dev/null 2>&1; then
  echo "$found has no venv and pip of its own (on Debian: apt-get install python3-venv)" >&2
  exit 2
fi
"$found" -m venv "$directory"
