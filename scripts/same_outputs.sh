#!/usr/bin/env bash
# Shows that a change of the code left the outputs alone. Two leadpipe programs are
# run on every take in a folder and the folders below it: the full pass into each kind
# of file that other programs read, the causal note list, and the pitch track. Results
# are compared byte for byte. A line per kind that differs names how many takes differ
# and the first of them.
#   scripts/same_outputs.sh BEFORE AFTER FOLDER
# BEFORE and AFTER are programs, FOLDER holds WAV, AIFF, FLAC, MP3 or OGG files.
# Exit code: 0 if all is the same, 1 if anything differs, 2 if it could not be compared.
set -euo pipefail

written='csv json midi cv musicxml'
# What the program calls the file of each kind, after the take's own name.
declare -A ending=([csv]=.csv [json]=.json [midi]=.mid [cv]=.cv.wav [musicxml]=.musicxml)

# Runs program $1 on take $2 and leaves a file per kind in folder $3. Exit codes are
# kept as a kind of their own; messages are wording and are not compared.
run_all() {
  local kind name=${2##*/} codes=''
  mkdir -p "$3/out"
  "$1" transcribe "$2" --out "$3/out" --write "${written// /,}" >/dev/null 2>&1 || codes+="transcribe $? "
  "$1" transcribe "$2" --causal --format csv >"$3/causal" 2>/dev/null || codes+="causal $? "
  "$1" track "$2" >"$3/track" 2>/dev/null || codes+="track $? "
  echo "$codes" >"$3/exit"
  for kind in $written; do
    if [ -e "$3/out/${name%.*}${ending[$kind]}" ]; then
      mv "$3/out/${name%.*}${ending[$kind]}" "$3/$kind"
    fi
  done
}

# Prints "take KIND... : TAKE" with the kinds that differ, "no-KIND" where neither
# program wrote one, so that two broken programs are not called the same.
compare_take() {
  local kind different='' at
  at=$(mktemp -d "$work/XXXXXX")
  run_all "$before" "$1" "$at/before"
  run_all "$after" "$1" "$at/after"
  for kind in $written causal track exit; do
    if [ ! -s "$at/before/$kind" ] && [ ! -s "$at/after/$kind" ]; then
      different+=" no-$kind"
    elif ! cmp -s "$at/before/$kind" "$at/after/$kind"; then
      different+=" $kind"
    fi
  done
  rm -rf "$at"
  echo "take$different : $1"
}

# The script calls itself for each take, so that takes are shared out over the cores.
if [ "${1:-}" = --take ]; then
  compare_take "$2"
  exit
fi

if [ $# -ne 3 ] || [ ! -d "$3" ] || ! command -v "$1" >/dev/null || ! command -v "$2" >/dev/null; then
  sed -n '2,9s/^# \{0,1\}//p' "$0" >&2
  exit 2
fi
before=$(command -v "$1")
after=$(command -v "$2")
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
export before after work

find "$3" -type f ! -name '.*' -regextype egrep \
  -iregex '.*\.(wav|wave|aif|aiff|aifc|flac|mp3|ogg)' -print0 | sort -z >"$work/takes"
total=$(tr -cd '\0' <"$work/takes" | wc -c)
if [ "$total" -eq 0 ]; then
  echo "no takes in $3 or the folders below it" >&2
  exit 2
fi

xargs -0 -n 1 -P "$(nproc)" "$0" --take <"$work/takes" | awk -v total="$total" '
  {
    take = $0
    sub(/^take[^:]* : /, "", take)
    for (i = 2; $i != ":"; i++) {
      if (count[$i]++ < 3) {
        first[$i] = first[$i] "\n    " take
      }
    }
    done++
    if (done % 20 == 0 || done == total) {
      printf "%d of %d takes\n", done, total >"/dev/stderr"
    }
  }
  END {
    for (kind in count) {
      what = kind ~ /^no-/ ? substr(kind, 4) " written by neither program" : kind " differs"
      printf "%s: %d of %d takes, first%s\n", what, count[kind], total, first[kind]
      code = 1
    }
    if (done != total) {
      print "only " done + 0 " of " total " takes were compared"
      code = 2
    }
    if (!code) {
      print total " takes: all the same"
    }
    exit code
  }'
