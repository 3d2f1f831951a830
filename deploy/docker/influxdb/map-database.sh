#!/bin/sh
# Runs once in InfluxDB's container, after setup: lets InfluxQL find the bucket as a database (DBRP).
set -eu
influx v1 dbrp create \
    --db borewarden \
    --rp autogen \
    --default \
    --bucket-id "$DOCKER_INFLUXDB_INIT_BUCKET_ID" \
    --org "$DOCKER_INFLUXDB_INIT_ORG"
