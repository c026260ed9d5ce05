#!/usr/bin/env bash
# Makes go.mod.txt and go.sum.txt, the module files of the copy of this module that stands beside a new adapter.
set -euo pipefail
cd "$(dirname "$0")/../.."
copy=$(mktemp -d)
trap 'rm -r "$copy"' EXIT
for folder in proto/adapter/v1 sdk sdk/axes sdk/units sdk/vehicle sdk/transport sdk/mavlink; do
  mkdir -p "$copy/$folder"
  for file in "$folder"/*.go; do
    case $file in *_test.go | */sources.go) ;; *) cp "$file" "$copy/$folder" ;; esac
  done
done
cp go.mod go.sum "$copy"
(cd "$copy" && GOFLAGS=-mod=mod go mod tidy)
sed '/^ignore (/,/^)/d' "$copy/go.mod" | cat -s > sdk/scaffold/go.mod.txt
cp "$copy/go.sum" sdk/scaffold/go.sum.txt
