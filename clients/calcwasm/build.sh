#!/bin/sh
# Builds the calculations as WebAssembly into the phone's generated folder.
set -eu
here=$(cd "$(dirname "$0")" && pwd)
out=$here/../phone/src/generated
mkdir -p "$out"
cd "$here"
GOOS=wasip1 GOARCH=wasm CGO_ENABLED=0 go build -trimpath -buildmode=c-shared -ldflags='-s -w' -o "$out/calc.wasm.new" .
# Replaced only when it differs, so that a build after no change does nothing.
if [ -f "$out/calc.wasm" ] && cmp -s "$out/calc.wasm.new" "$out/calc.wasm"; then
  rm "$out/calc.wasm.new"
else
  mv "$out/calc.wasm.new" "$out/calc.wasm"
fi
