# The service without PostgreSQL: it expects DATABASE_URL (see docker-compose.yml).

FROM rust:1.95-slim-bookworm AS build
WORKDIR /src
COPY . .
# The caches stay with the builder, so that a change of the source recompiles only this crate.
RUN --mount=type=cache,target=/usr/local/cargo/registry \
    --mount=type=cache,target=/src/target \
    cargo build --locked --release --bin tackfree \
    && install -D target/release/tackfree /out/tackfree

FROM debian:bookworm-slim
# curl is for the health check, the certificates for asking the weather service.
RUN apt-get update \
    && apt-get install --yes --no-install-recommends ca-certificates curl \
    && rm -rf /var/lib/apt/lists/* \
    && useradd --system --user-group --no-create-home --shell /usr/sbin/nologin tackfree
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
