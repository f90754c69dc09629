#!/usr/bin/env bash
# Builds static binaries and Debian packages, reproducibly: the same sources,
# Go version and SOURCE_DATE_EPOCH give the same bytes.
#
#   build.sh VERSION FOLDER [ARCH...]     ARCH: amd64, arm64 (default: both)
#
# Needs Go and dpkg-deb; no root, no network once the modules are there.
# SOURCE_DATE_EPOCH is by default the time of the last commit.
set -euo pipefail

if (($# < 2)); then
  echo "usage: build.sh VERSION FOLDER [amd64|arm64 ...]" >&2
  exit 2
fi
version=$1 out=$(mkdir -p "$2" && cd "$2" && pwd)
shift 2
archs=("$@")
((${#archs[@]})) || archs=(amd64 arm64)
here=$(cd "$(dirname "$0")" && pwd)
top=$(cd "$here/../.." && pwd)
export SOURCE_DATE_EPOCH=${SOURCE_DATE_EPOCH:-$(git -C "$top" log -1 --format=%ct 2>/dev/null || echo 0)}
# What a builder's own environment would leave in the manual.
unset USER LIDDED_URL LIDDED_TOKEN_FILE LIDDED_CA
export LC_ALL=C TZ=UTC CGO_ENABLED=0 GOFLAGS=-buildvcs=false
umask 022

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

build() { # ARCH FILE
  (cd "$top" && GOOS=linux GOARCH=$1 go build -trimpath -ldflags "-s -w -buildid= -X lidded/cmd/lidded/internal/command.version=$version" -o "$2" ./cmd/lidded)
}

# Manual and completion are made by the program itself, as built for this computer.
build "$(go env GOHOSTARCH)" "$work/here"
"$work/here" manual "$work/man" --date "$SOURCE_DATE_EPOCH"

for arch in "${archs[@]}"; do
  root=$work/$arch
  binary=$out/lidded_${version}_linux_$arch
  build "$arch" "$binary"
  install -D -m 0755 "$binary" "$root/usr/bin/lidded"
  install -D -m 0640 "$here/lidded.yaml" "$root/etc/lidded/lidded.yaml"
  install -D -m 0640 "$here/lab.yaml" "$root/etc/lidded/lab.yaml"
  install -D -m 0644 -t "$root/usr/lib/systemd/system" "$here"/../systemd/lidded.service "$here"/../systemd/lidded-lab*.service "$here"/../systemd/lidded-lab*.timer
  install -D -m 0644 "$here/../systemd/70-lidded.rules" "$root/etc/udev/rules.d/70-lidded.rules"
  for page in "$work"/man/*.1; do
    install -d "$root/usr/share/man/man1"
    gzip -n9 <"$page" >"$root/usr/share/man/man1/$(basename "$page").gz"
  done
  install -d "$root/usr/share/bash-completion/completions" "$root/usr/share/zsh/vendor-completions" "$root/usr/share/fish/vendor_completions.d"
  "$work/here" completion bash >"$root/usr/share/bash-completion/completions/lidded"
  "$work/here" completion zsh >"$root/usr/share/zsh/vendor-completions/_lidded"
  "$work/here" completion fish >"$root/usr/share/fish/vendor_completions.d/lidded.fish"
  doc=$root/usr/share/doc/lidded
  install -D -m 0644 "$here/copyright" "$doc/copyright"
  gzip -n9 <"$top/CHANGELOG.md" >"$work/changelog.gz"
  install -m 0644 "$work/changelog.gz" "$doc/changelog.gz"
  install -D -m 0644 -t "$doc/grafana" "$here/../grafana/lidded.json" "$here/../grafana/lidded-fleet.json"
  install -D -m 0644 -t "$doc/prometheus" "$here"/../prometheus/prometheus*.yml "$here/../prometheus/lidded.benches.yml" "$here/../prometheus/lidded.rules.yml"
  install -D -m 0644 "$here/../lab/README.md" "$doc/lab/README.md"
  install -D -m 0755 -t "$doc/examples" "$here/../examples/run.sh" "$here/../examples/run.py"

  install -d "$root/DEBIAN"
  size=$(du -sk --apparent-size --exclude=DEBIAN "$root" | cut -f1)
  cat >"$root/DEBIAN/control" <<CONTROL
Package: lidded
Version: $version
Architecture: $arch
Maintainer: lidded developers <lidded@example.invalid>
Installed-Size: $size
Depends: adduser
Recommends: udev
Section: science
Priority: optional
Description: shielding effectiveness of RF-shielded boxes
 A daemon that keys a signal source over a frequency plan, reads an analyzer
 with and without the box, and says how many decibels the box takes off, at
 which frequencies, and how surely. With a page, REST, metrics and reports.
CONTROL
  printf '%s\n' /etc/lidded/lidded.yaml /etc/lidded/lab.yaml /etc/udev/rules.d/70-lidded.rules >"$root/DEBIAN/conffiles"
  for s in postinst prerm postrm; do
    install -m 0755 "$here/scripts/$s" "$root/DEBIAN/$s"
  done
  (cd "$root" && find usr -type f -print0 | sort -z | xargs -0 md5sum >DEBIAN/md5sums)
  find "$root" -print0 | xargs -0 touch --no-dereference --date="@$SOURCE_DATE_EPOCH"
  dpkg-deb --root-owner-group -Zxz --build "$root" "$out/lidded_${version}_$arch.deb" >/dev/null
  echo "$out/lidded_${version}_$arch.deb"
done
