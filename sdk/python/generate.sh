#!/usr/bin/env bash
# Makes perch_adapter/adapter_pb2.py of proto/adapter/v1/adapter.proto. protoc 3.21 (Debian: apt-get install
# protobuf-compiler) makes what Debian's python3-protobuf and newer ones load; PROTOC may name another.
set -euo pipefail
cd "$(dirname "$0")"
out=$(mktemp -d)
trap 'rm -r "$out"' EXIT
"${PROTOC:-protoc}" -I ../../proto --python_out="$out" adapter/v1/adapter.proto
mv "$out/adapter/v1/adapter_pb2.py" perch_adapter/adapter_pb2.py
