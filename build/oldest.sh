#!/usr/bin/env bash
# Runs the tests with the oldest versions that pyproject.toml allows, so that what it promises is true. For maintainers; takes twice as long.
set -euo pipefail
cd "$(dirname "$0")/.."
. build/environment.sh
place=$(mktemp -d)
trap 'rm -rf "$place"' EXIT
make_environment "$place/tool"
"$place/tool/bin/python" -m pip install --quiet --disable-pip-version-check uv
make_environment "$place/oldest"
"$place/tool/bin/uv" pip install --quiet --python "$place/oldest/bin/python" --resolution lowest-direct -e '.[test]'
"$place/oldest/bin/python" -m pytest -p no:cacheprovider -n "${TEST_WORKERS:-2}"
