#!/bin/sh
# Checks the newest commit of a baseline and says what it will do, for whatever CI runs a shell.
# Usage: ci.sh [BRANCH]   the branch that it shall go into, origin/main where none is named
set -u
into=${1:-origin/main}

asleft check
checked=$?
asleft check --format sarif > asleft.sarif 2> /dev/null
asleft check --format junit > asleft.xml 2> /dev/null
# A change with errors has no effect that could be told.
if [ "$checked" -ne 0 ]; then
  exit "$checked"
fi
asleft effect "$into...HEAD" --markdown > effect.md
