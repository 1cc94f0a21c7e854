#!/bin/bash
# carry_branch.sh TREE BEFORE AFTER: bring a branch that was not landed before the move over it.
# BEFORE: main as it stood just before the move (the parent of run.sh's first commit); AFTER: moved main.
# The branch is merged with BEFORE in the old layout (resolve conflicts there, commit, run again), carried by the same
# programs, and recorded as a merge of the branch and AFTER, so that nothing has to be merged across the move.
T=$1; BEFORE=$2; AFTER=$3; H=$PWD; PY=python
cd $T || exit 1
[ -z "$(git status --porcelain)" ] || { echo "commit first"; exit 1; }
git merge -q --no-edit $BEFORE || { echo "resolve in the old layout, commit, run again"; exit 1; }
cd $H && $PY pre_nmea.py $T && $PY pre_light.py $T && $PY move.py $T | grep -v ^alias; git -C $T show $AFTER:.git-blame-ignore-revs > $T/.git-blame-ignore-revs
$PY later_procedures.py $T > /dev/null
cd $T && git add -A && tree=$(git write-tree) && made=$(git commit-tree $tree -p HEAD -p $AFTER -m "Carried over the move of the package into rooms") && git reset -q --hard $made
git diff --stat $AFTER HEAD | tail -20
