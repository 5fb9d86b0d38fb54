#!/bin/sh
# An example for [[notice]] kind = "command", run = ["…/ready-example.sh", "{path}"].
#
# It is run once a roll is published and read back. $1 is the folder; SYNCD_NAME, SYNCD_DAY,
# SYNCD_ID, SYNCD_STAGE and SYNCD_NOTICE_ID are in the environment, and the notice is JSON on
# standard input. It may be run twice for one notice: it must be harmless to repeat.
# Exit 0 means done; anything else is tried again later.
set -eu

path=$1
list=${SYNCD_READY_LIST:-$HOME/syncd-ready.txt}
line="$SYNCD_NOTICE_ID $SYNCD_DAY/$SYNCD_NAME $path"

if [ -f "$list" ] && grep -qxF -e "$line" "$list"; then
    echo "$SYNCD_NAME was on the list already"
    exit 0
fi
printf '%s\n' "$line" >>"$list"
echo "$SYNCD_NAME is on the list"
