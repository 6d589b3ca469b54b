#!/bin/bash
# Measures a photo folder as a Slurm job array, one part a job.
#
#   sbatch --array=1-16 --export=ALL,TRIAL=/shared/leeks,PHOTOS=/shared/leeks/photos slurm-array.sh
#   quadtally merge /shared/leeks/parts/*.jsonl --trial /shared/leeks     (once all have ended)
#
# TRIAL is the trial's folder, or a copy of it; it is only read. A job that was
# stopped or preempted goes on where it was when it is queued again.
#SBATCH --job-name=quadtally
#SBATCH --cpus-per-task=1
#SBATCH --mem=1G
#SBATCH --time=04:00:00
#SBATCH --requeue
#SBATCH --output=%x-%A_%a.out
set -euo pipefail
: "${TRIAL:?say where the trial lies: --export=ALL,TRIAL=...,PHOTOS=...}" "${PHOTOS:?say where the photos lie}"
PARTS=${PARTS:-$TRIAL/parts}
mkdir -p "$PARTS"
k=$SLURM_ARRAY_TASK_ID
n=$SLURM_ARRAY_TASK_COUNT
status=0
# shellcheck disable=SC2086  # QUADTALLY_FLAGS may hold several flags, such as --no-frame
"${QUADTALLY:-quadtally}" photos "$PHOTOS" --trial "$TRIAL" --part "$k/$n" --out "$PARTS/part-$k-of-$n.jsonl" \
  --workers "${SLURM_CPUS_PER_TASK:-1}" --quiet ${QUADTALLY_FLAGS:-} || status=$?
# 3: done, but some photos could not be read; `quadtally merge` names them.
[ "$status" = 3 ] && status=0
exit "$status"
