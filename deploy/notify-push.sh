#!/bin/sh
# A program for "gatehand notify --run": posts the JSON list that it reads to a web address of yours.
#
#     gatehand notify --run /etc/gatehand/notify-push.sh https://push.example/shop
#
# The first argument is the address; the ids behind it are in the list anyway. A file of headers, one a line, such as
# "Authorization: Bearer ...", is used where it is there: a token does not belong in a command line, where every user of
# this computer can read it. The exit code is curl's: when it fails, gatehand reports all of it again.
set -eu

case ${1:-} in
    https://*|http://127.0.0.1*|http://localhost*) ;;
    *) echo 'wanted an address that begins with https://, such as https://push.example/shop' >&2; exit 2 ;;
esac
address=$1
headers=${PUSH_HEADERS:-/etc/gatehand/push-headers}

set -- --header 'Content-Type: application/json'
if [ -r "$headers" ]; then set -- "$@" --header "@$headers"; fi
# --globoff: the address as it is; no .curlrc; the body from standard input as it is; an answer of 400 or more is a failure.
exec curl --disable --globoff --fail --silent --show-error --max-time 20 --data-binary @- --output /dev/null "$@" "$address"
