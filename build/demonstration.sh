#!/usr/bin/env bash
# Sets up everything, builds the shipped knowledge with the invented demonstration laboratory, and asks it.
set -euo pipefail
cd "$(dirname "$0")/.."
. build/environment.sh
make_environment .venv
.venv/bin/python -m pip install --quiet --disable-pip-version-check .
export TUBELORE_HOME="${TUBELORE_HOME:-$PWD/.venv/tubelore}"
.venv/bin/tubelore build
for question in "which tests does potassium oxalate spoil?" "why is calcium low in a lavender tube?" \
  "can I run a lactate on an EDTA tube?"; do
  printf '\n\033[1m> tubelore ask "%s"\033[0m\n\n' "$question"
  .venv/bin/tubelore ask "$question"
done
printf '\n\033[1m> tubelore explain K=6.6 Ca=1.45 Na=139 ALP=60 Mg=0.62 --material serum\033[0m\n\n'
.venv/bin/tubelore explain K=6.6 Ca=1.45 Na=139 ALP=60 Mg=0.62 --material serum
printf '\nAsk more: TUBELORE_HOME=%s .venv/bin/tubelore ask "..."\n' "$TUBELORE_HOME"
