#!/usr/bin/env bash
# Run the tests, without notebooks and browser, on the lowest versions that pyproject.toml allows and on the newest.
# tools/versions.sh python3.13 runs the newest there, and the lowest, which know no newer one, on python3.11.
set -euo pipefail
cd "$(dirname "$0")/.."
python=${1:-python3}
shift || true

scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT
"$python" -m venv "$scratch/uv"
"$scratch/uv/bin/pip" install --quiet --disable-pip-version-check uv
[ $# -gt 0 ] || set -- lowest-direct highest
newest=$python
for resolution in "$@"; do
    python=$newest
    if [ "$resolution" != highest ] && python3.11 -c 'import ensurepip' 2>/dev/null; then
        python=python3.11
    fi
    echo "== $("$python" --version), $resolution"
    "$python" -m venv "$scratch/$resolution"
    VIRTUAL_ENV="$scratch/$resolution" "$scratch/uv/bin/uv" pip install --quiet \
        --resolution "$resolution" -e '.[lab,clips,site,test]'
    echo "Other versions than in constraints.txt:"
    VIRTUAL_ENV="$scratch/$resolution" "$scratch/uv/bin/uv" pip freeze --quiet --exclude-editable | tr '_' '-' |
        sed '/^pip==/d' | grep -vixFf <(tr '_' '-' < constraints.txt) | paste -sd ' ' || true
    "$scratch/$resolution/bin/python" -m pytest -p no:nbval -p no:cacheprovider -n auto --dist loadfile \
        --doctest-modules -q -m "not browser and not weekly" tests tapecalc
done
