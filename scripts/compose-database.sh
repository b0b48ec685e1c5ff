#!/bin/sh
# Run once by the database container when it creates its data: a role that owns the service's database but is no
# superuser, since a superuser would silently bypass row security. The role may create others, for the migrations.
set -eu

psql --no-psqlrc --set=ON_ERROR_STOP=1 --set=password="$TACKFREE_DATABASE_PASSWORD" \
    --username="${POSTGRES_USER:-postgres}" --dbname=postgres <<'SQL'
CREATE ROLE tackfree LOGIN NOSUPERUSER NOBYPASSRLS CREATEROLE PASSWORD :'password';
CREATE DATABASE tackfree OWNER tackfree;
SQL
