#!/bin/sh
# Runs a plan on a daemon of lidded and fetches what came of it. Needs curl, jq.
#
#   run.sh PLAN SPECIMEN [FOLDER]
#
# LIDDED_URL is the daemon (default http://127.0.0.1:7460); LIDDED_TOKEN_FILE
# names a file with the token it wants, if it wants one (or LIDDED_TOKEN is the
# token), LIDDED_CA one with the certificate that vouches for it. At each hold
# point the instruction is shown, and the run goes on when you press Enter;
# without anybody there (end of input) it is aborted. KEY makes it safe to start
# again: the same key never starts a second run (default: plan, specimen and
# today). Exit code 0: the specimen meets its requirement; 1: it does not, or not
# surely; 2: no result.
set -eu

[ $# -ge 2 ] || { echo "usage: run.sh PLAN SPECIMEN [FOLDER]" >&2; exit 2; }
plan=$1 specimen=$2 folder=${3:-.}
url=${LIDDED_URL:-http://127.0.0.1:7460}
key=${KEY:-$plan-$specimen-$(date +%F)}
token=${LIDDED_TOKEN:-}
[ -z "${LIDDED_TOKEN_FILE:-}" ] || token=$(cat "$LIDDED_TOKEN_FILE")

# to_daemon ARGUMENT...: curl with what the daemon wants. The token goes in by a
# pipe: arguments are for everybody to see.
to_daemon() {
	printf '%s' "${token:+header = \"Authorization: Bearer $token\"}" |
		curl -K - ${LIDDED_CA:+--cacert "$LIDDED_CA"} "$@"
}

# ask METHOD PATH [BODY]: the answer; a problem's own words on an error.
ask() {
	answer=$(to_daemon -sS --fail-with-body --retry 3 --max-time 60 -X "$1" \
		-H 'Content-Type: application/json' -H "Idempotency-Key: $key" \
		${3:+--data "$3"} "$url$2") || {
		echo "$1 $2: $(printf %s "$answer" | jq -r '.detail // .title // .' 2>/dev/null)" >&2
		exit 2
	}
	printf %s "$answer"
}

body=$(jq -n --arg plan "$plan" --arg specimen "$specimen" --arg who "${USER:-shell}" \
	'{plan: $plan, specimens: [$specimen], operator: $who}')
started=$(ask POST /v1/runs "$body")
run=$(printf %s "$started" | jq -r .id)
echo "run $run"

while :; do
	now=$(ask GET "/v1/runs/$run")
	case $(printf %s "$now" | jq -r .state) in
	completed) break ;;
	stopped | aborted | failed | interrupted)
		echo "the run ended $(printf %s "$now" | jq -r '"\(.state): \(.reason)"')" >&2
		exit 2
		;;
	holding)
		hold=$(printf %s "$now" | jq '.hold // empty')
		[ -n "$hold" ] || continue
		printf %s "$hold" | jq -r '(.cautions[]? | "caution: " + .), .instruction'
		printf 'Press Enter when it is done: '
		if ! read -r _; then
			echo "nobody is there: aborted" >&2
			ask POST "/v1/runs/$run/abort" '{}' >/dev/null
			exit 2
		fi
		ask POST "$(printf %s "$hold" | jq -r .release)" '{}' >/dev/null
		continue # at once: the next hold point may wait already
		;;
	esac
	sleep 1
done

mkdir -p "$folder"
for file in results.csv report.pdf; do
	to_daemon -sS --fail --max-time 120 -o "$folder/$run-$file" "$url/v1/runs/$run/$file"
	echo "$folder/$run-$file"
done
results=$(ask GET "/v1/runs/$run/results")
summary=$(printf %s "$results" | jq '.summaries[0]')
printf %s "$summary" | jq -r .sentence
[ "$(printf %s "$summary" | jq -r .verdict)" = meets ]
