#!/bin/sh
# Keeps in .env the digests of the images that are current today: from then on the same ones are
# taken, whatever their tags come to mean. Run it again to take newer ones.
set -eu
cd "$(dirname "$0")"

pinned() {
    docker pull --quiet "$2" >/dev/null
    digest=$(docker image inspect --format '{{index .RepoDigests 0}}' "$2")
    echo "$1=$digest"
}

{
    pinned BOREWARDEN_PYTHON_IMAGE python:3.11-slim
    pinned BOREWARDEN_INFLUXDB_IMAGE influxdb:2
    pinned BOREWARDEN_GRAFANA_IMAGE grafana/grafana:11.6.0
} >.env.new
mv .env.new .env
cat .env
