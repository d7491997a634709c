#!/usr/bin/env bash
# Sets up everything and runs all checks: style, types, the wheel alone, then the tests.
set -euo pipefail
cd "$(dirname "$0")/.."
. build/environment.sh
make_environment .venv
.venv/bin/python -m pip install --quiet --disable-pip-version-check -e '.[test]'
if ! command -v java >/dev/null; then
  echo "Java is missing, which the test on Spark needs; installing Debian's package for it" >&2
  apt-get update -qq && apt-get install -y -qq default-jre-headless >/dev/null || { echo "run: apt-get install default-jre-headless" >&2; exit 1; }
fi
.venv/bin/ruff check .
.venv/bin/mypy

# The built wheel, installed alone and without the extras for tests, answers a question.
alone=$(mktemp -d)
trap 'rm -rf "$alone"' EXIT
.venv/bin/python -m pip wheel --quiet --disable-pip-version-check --no-deps --wheel-dir "$alone" .
make_environment "$alone/venv"
"$alone/venv/bin/python" -m pip install --quiet --disable-pip-version-check "$alone"/*.whl
(cd "$alone" && export TUBELORE_HOME="$alone/home" && venv/bin/tubelore build --json > build.json \
  && venv/bin/tubelore why potassium k2-edta | grep -q 'rises through cation contamination') \
  || { echo "the wheel alone does not answer" >&2; exit 1; }
echo "The wheel alone builds and answers."

.venv/bin/python -m pytest -n "${TEST_WORKERS:-2}"
