#!/bin/bash
# Measures a photo folder in parts with GNU parallel, on this machine or, with
# --sshlogin, on others that see the same folders, then merges the parts.
#
#   parallel.sh TRIAL PHOTOS [PARTS]
set -euo pipefail
trial=$1 photos=$2 n=${3:-16}
mkdir -p "$trial/parts"
export Q=${QUADTALLY:-quadtally} FLAGS=${QUADTALLY_FLAGS:-}
# Exit code 3 means done, but some photos could not be read: merge names them.
seq "$n" | parallel --env Q --env FLAGS \
  '$Q photos '"$(printf %q "$photos")"' --trial '"$(printf %q "$trial")"' --part {}/'"$n"' --out '"$(printf %q "$trial/parts")"'/part-{}-of-'"$n"'.jsonl --workers 1 --quiet $FLAGS || [ $? = 3 ]'
"$Q" merge "$trial"/parts/part-*-of-"$n".jsonl --trial "$trial"
