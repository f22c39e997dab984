#!/usr/bin/env bash
# Every check of this repository, in order, on a Debian machine with a Rust toolchain. Stops at the first step that fails;
# the last line counts the tests: "N passed, N failed".
#
# Missing Debian packages are installed when this runs as root or where sudo asks for no password. Rust comes from
# https://rustup.rs or from the system; rust-toolchain.toml names the version.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
# Debian keeps daemons where the PATH of a plain user does not look.
PATH="$PATH:/usr/local/sbin:/usr/sbin"

current="getting ready"
step() {
  current="$1"
  printf '\n== %s\n' "$current"
}
trap 'status=$?; if [ "$status" -ne 0 ]; then printf "\nstopped at: %s (exit code %s)\n" "$current" "$status"; fi' EXIT

# Package lists that are weeks old name files that are gone, so they are fetched anew once.
install_missing() {
  local packages=()
  command -v cc >/dev/null || packages+=(build-essential) # SQLite is compiled in
  command -v mosquitto >/dev/null || packages+=(mosquitto) # the broker of the end-to-end tests
  command -v mosquitto_pub >/dev/null || packages+=(mosquitto-clients)
  # the databases of the tests of history: started by hand, on free ports
  command -v victoria-metrics >/dev/null || packages+=(victoria-metrics)
  command -v influxd >/dev/null || packages+=(influxdb)
  command -v openssl >/dev/null || packages+=(openssl) # certificates for the tests
  python3 -c 'import ensurepip, venv' 2>/dev/null || packages+=(python3 python3-venv)
  if [ "${#packages[@]}" -eq 0 ]; then
    echo "nothing is missing"
    return
  fi
  if ! command -v apt-get >/dev/null; then
    echo "install these first (names are Debian's), then run again: ${packages[*]}" >&2
    return 1
  fi
  local root=()
  if [ "$(id -u)" -ne 0 ]; then
    if ! sudo -n true 2>/dev/null; then
      echo "run this first, then again: sudo apt-get install ${packages[*]}" >&2
      return 1
    fi
    root=(sudo -n)
  fi
  echo "installing ${packages[*]}"
  # The tests start what they need themselves: no service shall begin to run by being installed.
  local policy=/usr/sbin/policy-rc.d own_policy="" status=0
  if [ ! -e "$policy" ]; then
    own_policy=yes
    printf '#!/bin/sh\nexit 101\n' | "${root[@]}" tee "$policy" >/dev/null
    "${root[@]}" chmod +x "$policy"
  fi
  { "${root[@]}" apt-get update -qq &&
    "${root[@]}" env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "${packages[@]}"; } ||
    status=$?
  if [ -n "$own_policy" ]; then
    "${root[@]}" rm -f "$policy"
  fi
  return "$status"
}

# rustup fetches a toolchain of the pinned number even where "stable" is that very version. Then stable does as well, and
# nothing is fetched.
choose_toolchain() {
  command -v cargo >/dev/null || {
    echo "there is no cargo: install Rust from https://rustup.rs, then run again" >&2
    return 1
  }
  if command -v rustup >/dev/null && [ -z "${RUSTUP_TOOLCHAIN:-}" ]; then
    local wanted installed
    wanted=$(sed -n 's/^channel *= *"\(.*\)"/\1/p' rust-toolchain.toml)
    installed=$(rustup toolchain list)
    if ! grep -q "^$wanted" <<<"$installed" && grep -q '^stable' <<<"$installed" &&
      [ "$(rustc +stable --version | cut -d' ' -f2)" = "$wanted" ]; then
      export RUSTUP_TOOLCHAIN=stable
    fi
  fi
  cargo --version
}

# The packages that the formulas and the tests of quality are compared with, at pinned versions, in an environment of their
# own. An index is asked once per change of the list; a failure here ends the run, because the comparison must not be
# skipped.
prepare_reference_packages() {
  local list=tests/reference/packages/requirements.txt
  local place="${CARGO_TARGET_DIR:-target}/reference-python"
  if ! cmp -s "$list" "$place/installed.txt"; then
    rm -rf "$place"
    python3 -m venv "$place"
    "$place/bin/python" -m pip install --quiet --disable-pip-version-check --requirement "$list"
    cp "$list" "$place/installed.txt"
  fi
  THIRST_REFERENCE_PYTHON="$(cd "$place" && pwd)/bin/python"
  export THIRST_REFERENCE_PYTHON
  "$THIRST_REFERENCE_PYTHON" -c 'import importlib.metadata as m; print(*(f"{name} {m.version(name)}" for name in ("refet", "pyet", "ioos_qc")))'
}

# Adds up what each test binary says of itself.
count() {
  sed 's/\x1b\[[0-9;]*m//g' "$1" | awk '
    /^test result: / { binaries += 1; passed += $4; failed += $6 }
    END { printf "%d %d %d\n", binaries, passed, failed }'
}

step "packages"
install_missing
step "toolchain"
choose_toolchain
step "cargo fmt"
cargo fmt --all --check
step "cargo clippy"
cargo clippy --workspace --all-targets --locked -- -D warnings
step "cargo doc"
RUSTDOCFLAGS="-D warnings" cargo doc --workspace --no-deps --locked
step "packages to compare with"
prepare_reference_packages
step "binaries for the end-to-end tests"
cargo build --workspace --bins --locked
step "Python for the tests of the bridge"
bash tests/bridge_python.sh
step "cargo test"
log=$(mktemp)
trap 'rm -f "$log"' EXIT
status=0
cargo test --workspace --locked --no-fail-fast 2>&1 | tee "$log" || status=$?
read -r binaries passed failed < <(count "$log")
echo
if [ "$binaries" -eq 0 ]; then
  echo "no test ran: see above"
  [ "$status" -ne 0 ] || status=1
elif [ "$status" -ne 0 ] && [ "$failed" -eq 0 ]; then
  echo "cargo test failed outside of a test: see above"
fi
echo "$passed passed, $failed failed"
exit "$status"
