#!/bin/sh
# Makes the passwords of the small lab's database, once: passwords/postgres of its
# owner, passwords/logins.sql that makes the logins of benches and page, and
# passwords/pgpass with all three for the program, readable by its user alone
# (in the image 7460; as root this gives it the file).
set -eu
cd "$(dirname "$0")"
if [ -e passwords ]; then
  echo "passwords: they are there already" >&2
  exit 0
fi
umask 077
mkdir passwords
word() { od -An -N16 -tx1 /dev/urandom | tr -d ' \n'; }
owner=$(word) shipper=$(word) reader=$(word)
printf '%s' "$owner" >passwords/postgres
printf "CREATE ROLE shipper LOGIN PASSWORD '%s';\nCREATE ROLE reader LOGIN PASSWORD '%s';\n" "$shipper" "$reader" >passwords/logins.sql
printf '*:*:*:%s\n' "postgres:$owner" "shipper:$shipper" "reader:$reader" >passwords/pgpass
chmod 0644 passwords/postgres passwords/logins.sql # read in the container by the image's own user; the folder keeps others out
[ "$(id -u)" != 0 ] || chown 7460 passwords/pgpass
