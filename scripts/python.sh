#!/usr/bin/env bash
# Builds the Python package as a wheel, installs that into a virtual environment, and
# runs the package's checks: style and types, stubs against the module, tests, the guide.
# Needs python3-venv. Where the environment is there already, it is used again.
set -euo pipefail
cd "$(dirname "$0")/.."
target=$PWD/target
venv=${PYTHON_VENV:-$target/python-venv}
# The tests compare with the program.
cargo build --release --locked --no-default-features --features cli
export LEADPIPE=$target/release/leadpipe

export CARGO_TARGET_DIR=$target/python
cargo fmt --manifest-path python/Cargo.toml --check
cargo clippy --manifest-path python/Cargo.toml --locked --release -- -D warnings
[ -x "$venv/bin/python" ] || python3 -m venv "$venv"
rm -rf "$target/wheels"
MATURIN_PEP517_ARGS=--locked "$venv/bin/pip" wheel --quiet --no-deps --wheel-dir "$target/wheels" ./python
wheel=$(echo "$target"/wheels/leadpipe-*-cp310-abi3-*.whl)
"$venv/bin/pip" install --quiet "$wheel[test]"
"$venv/bin/pip" install --quiet --force-reinstall --no-deps "$wheel"

cd python
"$venv/bin/mypy"
"$venv/bin/stubtest" --mypy-config-file pyproject.toml leadpipe._native
"$venv/bin/pytest" -q
