#!/bin/sh
# Builds the rules as WebAssembly into the phone's generated folder.
set -eu
here=$(cd "$(dirname "$0")" && pwd)
out=$here/../phone/src/generated
mkdir -p "$out"
cd "$here"
# Without inlining all but the runtime is smaller by 6 %, as sent, and no slower that could be measured; the runtime
# itself would be twice as slow. The older collector is smaller by 1 %; Go 1.26 is known to still have it.
case $(go env GOVERSION) in
  go1.26*) GOEXPERIMENT=nogreenteagc; export GOEXPERIMENT ;;
esac
GOOS=wasip1 GOARCH=wasm CGO_ENABLED=0 go build -trimpath -buildmode=c-shared -ldflags='-s -w' \
  -gcflags=all=-l -gcflags=runtime= -gcflags=internal/...= -gcflags=unicode/utf8= -gcflags=math/...= -o "$out/rules.wasm.new" .
# Replaced only when it differs, so that a build after no change does nothing.
if [ -f "$out/rules.wasm" ] && cmp -s "$out/rules.wasm.new" "$out/rules.wasm"; then
  rm "$out/rules.wasm.new"
else
  mv "$out/rules.wasm.new" "$out/rules.wasm"
fi
