#!/usr/bin/env bash
# Tries the package: built twice with the same bytes, installed, started on the
# virtual bench, upgraded under a running daemon, removed and purged. Needs root
# on a machine where installing it does no harm, with dpkg, adduser, setpriv,
# curl and readelf. The service manager is not needed: the unit's ExecStart and
# ExecStopPost lines are run by hand, as the unit's user.
set -euo pipefail

here=$(cd "$(dirname "$0")" && pwd)
if [[ $(id -u) != 0 ]]; then
  echo "test.sh: needs root, on a machine where installing a package does no harm" >&2
  exit 1
fi
if dpkg-query -W -f='${Status}' lidded 2>/dev/null | grep -q 'ok installed'; then
  echo "test.sh: lidded is installed here: this would remove it" >&2
  exit 1
fi
work=$(mktemp -d)
chmod 0755 "$work"
config=/etc/lidded/lidded.yaml
unit=/usr/lib/systemd/system/lidded.service
daemon='' bench=''

say() { echo "package: $*"; }
fail() {
  echo "package: FAILED: $*" >&2
  tail -n 40 "$work"/*.log >&2 || true
  exit 1
}
finish() {
  [[ -z $daemon ]] || kill "$daemon" 2>/dev/null || true
  [[ -z $bench ]] || kill "$bench" 2>/dev/null || true
  wait || true
  if [[ -z ${done_:-} ]]; then
    dpkg --purge lidded >/dev/null 2>&1 || true
  fi
  [[ -n ${had_state:-} ]] || rm -rf /var/lib/lidded
  [[ -n ${had_user:-} ]] || deluser --quiet --system lidded >/dev/null 2>&1 || true
  rm -rf "$work"
}
trap finish EXIT
[[ ! -e /var/lib/lidded ]] || had_state=yes
! getent passwd lidded >/dev/null || had_user=yes

# until WHAT COMMAND...: waits for a command to succeed.
until_ok() {
  local what=$1 i
  shift
  for ((i = 0; i < 300; i++)); do
    if "$@" >/dev/null 2>&1; then return; fi
    sleep 0.2
  done
  fail "$what"
}
# line KEY: what the unit runs.
line() { sed -n "s/^$1=//p" "$unit"; }
# as_service COMMAND: becomes it as the unit would, without its sandbox.
as_service() {
  cd /var/lib/lidded
  # shellcheck disable=SC2086 # a command and its arguments
  exec setpriv --reuid lidded --regid lidded --init-groups $1
}
start() {
  as_service "$(line ExecStart)" >>"$work/daemon.log" 2>&1 &
  daemon=$!
  until_ok "the daemon is not ready" curl -sf "$url/readyz"
}
stop() {
  kill "$daemon"
  wait "$daemon" || fail "the daemon did not end well"
  daemon=''
  (as_service "$(line ExecStopPost)") >"$work/off.log" 2>&1 || fail "ExecStopPost"
  grep -q 'source off' "$work/off.log" || fail "ExecStopPost did not read the source back as off"
}

arch=$(dpkg --print-architecture)
export SOURCE_DATE_EPOCH=1700000000
"$here/build.sh" 0.0.1~test "$work/a" "$arch" >/dev/null
"$here/build.sh" 0.0.1~test "$work/b" "$arch" >/dev/null
cmp "$work/a/lidded_0.0.1~test_$arch.deb" "$work/b/lidded_0.0.1~test_$arch.deb" || fail "two builds differ"
"$here/build.sh" 0.0.2~test "$work/a" "$arch" >/dev/null
say "two builds are the same, byte for byte"

other=arm64
[[ $arch != arm64 ]] || other=amd64
"$here/build.sh" 0.0.1~test "$work/a" "$other" >/dev/null
for a in "$arch" "$other"; do
  binary=$work/a/lidded_0.0.1~test_linux_$a
  want=$([[ $a == arm64 ]] && echo AArch64 || echo X86-64)
  readelf -h "$binary" | grep -q "$want" || fail "$binary is not for $a"
  ! readelf -l "$binary" | grep -q INTERP || fail "$binary is not static"
done
unset SOURCE_DATE_EPOCH
say "static binaries for $arch and $other"

dpkg -i "$work/a/lidded_0.0.1~test_$arch.deb" >"$work/install.log" 2>&1 || fail "install"
[[ $(lidded --version) == *0.0.1~test* ]] || fail "version: $(lidded --version)"
getent passwd lidded >/dev/null || fail "no user"
id -nG lidded | grep -qw dialout || fail "the user may not use serial adapters"
[[ $(stat -c '%U:%G %a' $config) == 'root:lidded 640' ]] || fail "config: $(stat -c '%U:%G %a' $config)"
for u in lidded-lab.service lidded-lab-partitions.service lidded-lab-partitions.timer; do
  [[ -e /usr/lib/systemd/system/$u ]] || fail "no $u"
  ! find /etc/systemd/system -name "$u" | grep -q . || fail "$u is enabled by installing alone"
done
[[ $(stat -c '%U:%G %a' /etc/lidded/lab.yaml) == 'root:lidded 640' ]] || fail "lab.yaml: $(stat -c '%U:%G %a' /etc/lidded/lab.yaml)"
bash -n /usr/share/bash-completion/completions/lidded
grep -q "^#compdef lidded" /usr/share/zsh/vendor-completions/_lidded || fail "no completion for zsh"
grep -q "complete -c lidded" /usr/share/fish/vendor_completions.d/lidded.fish || fail "no completion for fish"
zcat /usr/share/man/man1/lidded.1.gz | grep -q '^.TH' || fail "no manual"
lidded plan -c $config >"$work/plan.log" 2>&1 && fail "an empty config has a plan"
say "installed"

lidded virtual --analyzer 127.0.0.1:0 --source 127.0.0.1:0 --control 127.0.0.1:0 >"$work/virtual.log" 2>&1 &
bench=$!
until_ok "the virtual bench" grep -q '^ready' "$work/virtual.log"
port() { sed -n "s/^$1 //p" "$work/virtual.log"; }
url=http://127.0.0.1:17460
cat >$config <<CONFIG
daemon:
  listen: 127.0.0.1:17460
  store: /var/lib/lidded/lidded.db
benches:
  - name: depot
    analyzer: {address: "tcp://$(port analyzer)", dialect: analyzer-opc}
    source: {address: "tcp://$(port source)", dialect: source-scpi, max_level: 10 dBm}
    may_transmit:
      - {from: 30 MHz, to: 1 GHz, max_level: 0 dBm, basis: "virtual bench: nothing is radiated"}
    conducted: true
    frequency_error_ppm: 2
    path_loss: 38 dB
    noise_figure: 24 dB
    hands: {rule: virtual, control: "$(port control)"}
plans:
  - name: short
    hold_points: rule
    positions: [front]
    settle: 6ms
    bands:
      - {from: 30 MHz, to: 1 GHz, count: 3, level: 0 dBm, rbw: 10 kHz, attenuation: 0 dB}
specimens:
  - {name: otter}
CONFIG
cp $config "$work/kept.yaml"
install -d -o lidded -g lidded -m 0750 /var/lib/lidded # StateDirectory= does this
start
run=$(lidded start --url $url --plan short --specimen otter --key one)
completed() { lidded runs --url $url --json | grep -q '"completed"'; }
until_ok "the run does not complete" completed
say "a run completed on the virtual bench"

dpkg -i "$work/a/lidded_0.0.2~test_$arch.deb" >"$work/upgrade.log" 2>&1 || fail "upgrade"
cmp -s $config "$work/kept.yaml" || fail "the config did not survive the upgrade"
[[ $(stat -c '%U:%G %a' $config) == 'root:lidded 640' ]] || fail "config after the upgrade: $(stat -c '%U:%G %a' $config)"
curl -sf $url/healthz | grep -q '0.0.1~test' || fail "the running daemon did not outlive the upgrade"
stop
start
curl -sf $url/healthz | grep -q '0.0.2~test' || fail "the new version does not run"
completed || fail "the run is lost after the upgrade"
[[ $(lidded start --url $url --plan short --specimen otter --key one) == "$run" ]] || fail "the key is forgotten after the upgrade"
(as_service "lidded doctor -c $config") >"$work/doctor.log" 2>&1 || fail "doctor"
lidded report latest -c $config -o "$work/report.pdf" >/dev/null
head -c 5 "$work/report.pdf" | grep -q '%PDF-' || fail "report"

# Tokens are made by root, belong to the daemon's user, and are taken note of at once.
tokens=/var/lib/lidded/lidded.db.tokens
lidded token create night --role operate -c $config --out "$work/night.token" 2>"$work/token.log"
[[ $(stat -c '%U:%G %a' $tokens) == 'lidded:lidded 600' ]] || fail "tokens: $(stat -c '%U:%G %a' $tokens)"
! lidded runs --url $url >"$work/token.log" 2>&1 || fail "the daemon lets in without a token"
lidded runs --url $url --token-file "$work/night.token" >"$work/token.log" 2>&1 || fail "the token is not taken"
(as_service "lidded token list -c $config") 2>&1 | grep -q '^night' || fail "the daemon's user cannot read the tokens"
lidded token revoke night -c $config >"$work/token.log" 2>&1 || fail "revoke"
lidded runs --url $url >"$work/token.log" 2>&1 || fail "the last token is revoked, and the daemon on loopback still asks"
stop
say "upgraded: config, runs and keys are kept; tokens work"

dpkg -r lidded >"$work/remove.log" 2>&1 || fail "remove"
[[ ! -e /usr/bin/lidded && ! -e $unit ]] || fail "the program is still there"
cmp -s $config "$work/kept.yaml" || fail "the config went with the program"
dpkg --purge lidded >"$work/purge.log" 2>&1 || fail "purge"
[[ ! -e $config ]] || fail "the config is still there"
[[ -s /var/lib/lidded/lidded.db ]] || fail "the measurements are gone"
done_=yes
say "removed and purged: the measurements are kept"
