#!/bin/sh
# Builds the rules as WebAssembly into the phone's generated folder.
set -eu
here=$(cd "$(dirname "$0")" && pwd)
out=$here/../phone/src/generated
mkdir -p "$out"
cd "$here"
GOOS=wasip1 GOARCH=wasm CGO_ENABLED=0 go build -trimpath -buildmode=c-shared -ldflags='-s -w' -o "$out/rules.wasm.new" .
# Replaced only when it differs, so that a build after no change does nothing.
if [ -f "$out/rules.wasm" ] && cmp -s "$out/rules.wasm.new" "$out/rules.wasm"; then
  rm "$out/rules.wasm.new"
else
  mv "$out/rules.wasm.new" "$out/rules.wasm"
fi
