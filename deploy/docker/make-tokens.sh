#!/bin/sh
# Has the running InfluxDB make two tokens: one that may only write, for the watcher, and one that
# may only read, for Grafana. Keeps those that are there.
set -eu
cd "$(dirname "$0")"

in_influxdb() {
    docker compose exec -T influxdb influx "$@" --org borewarden --json
}

field() {
    # the first value of a field of the JSON that influx prints
    sed -n "s/.*\"$1\": *\"\([^\"]*\)\".*/\1/p" | head -n 1
}

token() {
    if [ -s "secrets/$1" ]; then
        return
    fi
    made=$(in_influxdb auth create --description "$1" "$2" "$bucket" | field token)
    if [ -z "$made" ]; then
        echo "InfluxDB made no token for $1" >&2
        exit 1
    fi
    printf %s "$made" >"secrets/$1"
    echo "made secrets/$1"
}

umask 022
bucket=$(in_influxdb bucket list --name borewarden | field id)
if [ -z "$bucket" ]; then
    echo "InfluxDB has no bucket named borewarden: is it up, and was this its first start?" >&2
    exit 1
fi
token influx_token --write-bucket
token grafana_influx_token --read-bucket
