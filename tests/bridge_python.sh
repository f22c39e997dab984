#!/usr/bin/env bash
# Two Pythons for the tests of deploy/bridge, with the oldest and the newest paho-mqtt it runs on, below the target folder.
# Whatever other python3 stands first on the PATH, and whatever it has installed, makes no difference.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
target="${CARGO_TARGET_DIR:-target}"

build() {
  local folder="$target/$1" wanted="$2"
  if "$folder/bin/python" -c 'import paho.mqtt.client, tzdata' 2>/dev/null; then
    return
  fi
  rm -rf "$folder"
  python3 -m venv "$folder"
  "$folder/bin/python" -m pip install --quiet --disable-pip-version-check "$wanted" tzdata
}

if ! python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))'; then
  echo "python3 is $(python3 --version), and the bridge needs Python 3.11 or newer" >&2
  exit 1
fi
mkdir -p "$target"
build bridge-python-1 'paho-mqtt==1.6.1'
build bridge-python-2 'paho-mqtt>=2,<3'
echo "$("$target"/bridge-python-1/bin/python --version) with paho-mqtt 1.6 and 2"
