# Sourced by the two scripts beside it: makes a virtual environment in the folder $1 with Python 3.11 or newer.
make_environment() {
  python=$(command -v python3.13 || command -v python3.12 || command -v python3.11 || command -v python3) || {
    echo "Python 3.11 or newer is needed" >&2; return 1; }
  "$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { echo "$python is older than 3.11" >&2; return 1; }
  if ! "$python" -c 'import ensurepip' 2>/dev/null; then
    echo "The module venv is missing; installing Debian's package for it" >&2
    apt-get update -qq && apt-get install -y -qq python3-venv || { echo "run: apt-get install python3-venv" >&2; return 1; }
  fi
  [ -x "$1/bin/python" ] || "$python" -m venv "$1"
}
