#!/bin/bash
# run.sh [COMMIT] [TREE]: make the branch anew from main (or COMMIT) and carry it, in four commits
FROM=${1:-main}; T=${2:-../house}; H=$PWD; PY=python
cd $T && git checkout -q -f -B ${3:-wt/house} $FROM && git clean -qfd || exit 1
cd $H
$PY pre_nmea.py $T && $PY pre_light.py $T && git -C $T add -A && git -C $T commit -qm "The settings of the log reader stand apart from the reader; control-checks loads light" || exit 1
$PY move.py $T > ./house_out.txt 2>&1 || { cat ./house_out.txt; exit 1; }
grep -v '^alias' ./house_out.txt
git -C $T add -A && git -C $T commit -qm "The package in rooms: modules moved, merged and renamed, nothing else" || exit 1
M=$(git -C $T rev-parse HEAD)
{ echo "# Moves: git blame --ignore-revs-file .git-blame-ignore-revs, or git config blame.ignoreRevsFile .git-blame-ignore-revs"; echo "# The package in rooms"; echo $M; } > $T/.git-blame-ignore-revs
git -C $T add -A && git -C $T commit -qm "The move is left out of blame" || exit 1
$PY later_procedures.py $T && git -C $T add -A && git -C $T commit -qm "The calibration by procedure is called so: step, frame and layer" || exit 1
git -C $T log --oneline | head -5
