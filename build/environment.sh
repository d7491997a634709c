# Sourced by the scripts beside it: makes a virtual environment in the folder $1 with Python 3.11 or newer.
make_environment() {
  python=
  for candidate in python3 python3.11 python3.12 python3.13 python3.14; do
    if "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
      python=$candidate
      break
    fi
  done
  [ -n "$python" ] || { echo "Python 3.11 or newer is needed" >&2; return 1; }
  if ! "$python" -c 'import ensurepip' 2>/dev/null; then
    echo "The module venv is missing; installing Debian's package for it" >&2
    apt-get update -qq && apt-get install -y -qq python3-venv || { echo "run: apt-get install python3-venv" >&2; return 1; }
  fi
  [ -x "$1/bin/python" ] || "$python" -m venv "$1"
}
