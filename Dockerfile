# An image that runs cagebook as an ordinary user, models inside.
#
#   docker build -t cagebook .
#   docker run --rm -v "$PWD/clips:/clips:ro" -v "$PWD/results:/results" cagebook run /clips -o /results
#
# BASE is any image of Debian 12. To keep the models out of the image, build
# with --build-arg MODELS=none and mount a folder at /home/cage/.cache/cagebook.
ARG BASE=debian:bookworm-slim

FROM ${BASE} AS build
RUN apt-get update && apt-get install -y --no-install-recommends make g++ pkg-config libopencv-dev ca-certificates golang-go nodejs npm
WORKDIR /src
COPY go.mod go.sum ./
COPY .ci .ci
RUN .ci/go mod download
COPY . .
RUN mkdir -p bin && .ci/go build -buildvcs=false -ldflags "-X main.analysis=$(.ci/analysis)" -o bin/cagebook ./cmd/cagebook
ARG MODELS=inside
RUN mkdir -p /cache && if [ "$MODELS" = inside ]; then bin/cagebook models fetch --model-dir /cache; fi

# Development files of OpenCV stay behind: only the libraries that the program names are installed.
FROM ${BASE}
RUN apt-get update \
 && apt-get install -y --no-install-recommends ffmpeg libopencv-calib3d406 libopencv-core406 libopencv-dnn406 \
      libopencv-features2d406 libopencv-highgui406 libopencv-imgcodecs406 libopencv-imgproc406 libopencv-objdetect406 libopencv-photo406 \
      libopencv-video406 libopencv-videoio406 \
 && rm -rf /var/lib/apt/lists/* \
 && useradd --create-home --uid 1000 cage
COPY --from=build /src/bin/cagebook /usr/local/bin/cagebook
COPY --from=build /src/LICENSE /src/NOTICE /usr/share/doc/cagebook/
COPY --from=build --chown=cage:cage /cache /home/cage/.cache/cagebook
USER cage
WORKDIR /home/cage
ENTRYPOINT ["cagebook"]
CMD ["--help"]
