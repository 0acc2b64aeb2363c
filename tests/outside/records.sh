#!/bin/sh
# Checks published documents with tools that are not this program's: tests/outside/records.sh FILE.jsonl
# FILE holds one CloudEvents document a line (records, and if wanted results and weighings), in order.
# The tools live in tests/tools (ignored by git):
#   python3 -m venv tests/tools/venv
#   tests/tools/venv/bin/pip install check-jsonschema cloudevents 'paho-mqtt>=2'
#   npm --prefix tests/tools/node install ajv-cli ajv-formats @lhncbc/ucum-lhc
set -eu
root=$(cd "$(dirname "$0")/../.." && pwd)
tools=$root/tests/tools
[ $# -eq 1 ] && [ -s "$1" ] || { echo "usage: $0 FILE.jsonl (one document a line, not empty)" >&2; exit 64; }
missing=
need() { [ -e "$1" ] || { echo "missing: $2 (looked for $1)" >&2; missing=1; }; }
need "$tools/venv/bin/python" "a Python environment, tests/tools/venv"
need "$tools/venv/bin/check-jsonschema" "check-jsonschema (PyPI)"
need "$tools/node/node_modules/.bin/ajv" "ajv-cli (npm)"
need "$tools/node/node_modules/ajv-formats" "ajv-formats (npm)"
need "$tools/node/node_modules/@lhncbc/ucum-lhc" "@lhncbc/ucum-lhc (npm)"
[ ! -x "$tools/venv/bin/python" ] || "$tools/venv/bin/python" -c 'import cloudevents' 2>/dev/null \
    || { echo "missing: cloudevents (PyPI)" >&2; missing=1; }
[ -z "$missing" ] || { echo "install what is missing as the head of $0 says" >&2; exit 69; }

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
"$tools/venv/bin/check-jsonschema" --check-metaschema "$root"/docs/schema/*.schema.json
"$tools/venv/bin/python" "$root/tests/outside/records.py" "$1" "$work"

for schema in "$root"/docs/schema/*.schema.json; do
    name=$(basename "$schema" .schema.json)
    [ -d "$work/$name" ] || continue
    "$tools/venv/bin/check-jsonschema" --schemafile "$schema" "$work/$name"/*.json
    # Strict as to keywords and formats. Not as to where an `if` repeats the types that stand outside of it:
    # a published schema is never changed for a matter of style.
    "$tools/node/node_modules/.bin/ajv" validate --spec=draft2020 --strict=true --strict-required=false --strict-types=false -c ajv-formats \
        -s "$schema" -d "$work/$name/*.json" > "$work/ajv.txt" 2>&1 || { cat "$work/ajv.txt" >&2; exit 1; }
    echo "$name: $(ls "$work/$name" | wc -l) documents valid by check-jsonschema and ajv"
done

cd "$tools/node"
node -e '
const ucum = require("@lhncbc/ucum-lhc").UcumLhcUtils.getInstance();
let bad = 0;
const units = JSON.parse(require("fs").readFileSync(process.argv[1], "utf8"));
for (const unit of units) {
  const answer = ucum.validateUnitString(unit);
  if (answer.status !== "valid") { console.error(`unit ${unit}: ${answer.msg}`); bad = 1; }
}
console.log(`units: ${units.length} UCUM codes valid by ucum-lhc: ${units.join(" ")}`);
process.exit(bad);
' "$work/units.json"
