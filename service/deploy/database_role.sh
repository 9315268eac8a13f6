#!/bin/sh
# Makes the service's own role and its database, once: the image of PostgreSQL runs it when its volume is empty.
set -eu
psql --username=postgres --no-psqlrc --set=ON_ERROR_STOP=1 \
  --set=password="$(cat "${PASSWORD_FILE:-/run/secrets/database_password}")" <<'SQL'
CREATE ROLE bows LOGIN PASSWORD :'password';
CREATE DATABASE bows OWNER bows;
SQL
