#!/bin/sh
# Makes the secrets that InfluxDB and Grafana are set up with; keeps those that are there.
set -eu
cd "$(dirname "$0")"
mkdir -p secrets
# only the owner gets into the directory; the files have to be readable for the containers' users
chmod 700 secrets
umask 022
for name in influx_admin_password influx_admin_token grafana_admin_password; do
    if [ ! -s "secrets/$name" ]; then
        od -An -N 32 -tx1 /dev/urandom | tr -d ' \n' >"secrets/$name"
        echo "made secrets/$name"
    fi
done
