#!/bin/sh
# Makes a password for each user of the acl beside this file, and the file of their hashes for the
# broker. Those that are there stay. What a user has to be given is in secrets/USER.password.
set -eu
cd "$(dirname "$0")"
umask 077
mkdir -p secrets
: >secrets/passwords.new
sed -n 's/^user //p' acl | while read -r user; do
    if [ ! -s "secrets/$user.password" ]; then
        od -An -N 24 -tx1 /dev/urandom | tr -d ' \n' >"secrets/$user.password"
        echo "made secrets/$user.password"
    fi
    printf '%s:%s\n' "$user" "$(cat "secrets/$user.password")" >>secrets/passwords.new
done
# hashes them in place
mosquitto_passwd -U secrets/passwords.new
mv secrets/passwords.new secrets/passwords
