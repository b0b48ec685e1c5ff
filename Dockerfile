# The service without PostgreSQL: it expects DATABASE_URL (see docker-compose.yml).

FROM rust:1.95-slim-bookworm AS build
WORKDIR /src
COPY . .
# The caches stay with the builder, so that a change of the source recompiles only what is ours.
RUN --mount=type=cache,target=/usr/local/cargo/registry \
    --mount=type=cache,target=/src/target \
    cargo build --locked --release --bin tackfree \
    && install -D target/release/tackfree /out/tackfree

# PostgreSQL's own programs for `backup` and `restore`: as new as the newest server, which Debian's are not.
FROM postgres:18-bookworm AS client
RUN install -D --target-directory=/out/bin /usr/lib/postgresql/18/bin/pg_dump /usr/lib/postgresql/18/bin/pg_restore \
        /usr/lib/postgresql/18/bin/psql \
    && install -D --mode=0644 "$(readlink -f /usr/lib/*-linux-gnu/libpq.so.5)" /out/lib/libpq.so.5

FROM debian:bookworm-slim
# curl is for the health check, the certificates for asking the weather service; Debian's libpq brings along what the newer
# one needs, too.
RUN apt-get update \
    && apt-get install --yes --no-install-recommends ca-certificates curl libpq5 libreadline8 liblz4-1 libzstd1 zlib1g \
    && rm -rf /var/lib/apt/lists/* \
    && useradd --system --user-group --no-create-home --shell /usr/sbin/nologin tackfree \
    && install --directory --owner=tackfree --group=tackfree --mode=0700 /backups
COPY --from=client /out/bin/ /usr/lib/postgresql/18/bin/
COPY --from=client /out/lib/ /usr/local/lib/
# A library that is missing ends the build here, and not the first backup.
RUN ldconfig && cd /usr/lib/postgresql/18/bin && ./pg_dump --version && ./pg_restore --version && ./psql --version
COPY --from=build /out/tackfree /usr/local/bin/tackfree
USER tackfree
EXPOSE 8080
# Inside a container, only the container's own network can reach this.
ENV TACKFREE_LISTEN=0.0.0.0:8080
HEALTHCHECK --interval=10s --timeout=3s --start-period=30s --retries=3 \
    CMD ["curl", "--fail", "--silent", "--show-error", "--output", "/dev/null", "http://127.0.0.1:8080/healthz"]
# SIGTERM is the order to finish what has begun and stop.
STOPSIGNAL SIGTERM
ENTRYPOINT ["tackfree"]
CMD ["serve"]
