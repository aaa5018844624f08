#!/bin/sh
# An example of a program provider: it keeps records in a plain file, one "name type ttl data" a line, and shows what such
# a program has to do. The protocol is in program.schema.json. JSON is jq's work, and flock keeps two runs apart.
# Addresses stand there as fingerpost writes them (RFC 5952). In the configuration:
#   command = ["/usr/local/lib/fingerpost/program-example.sh", "/var/lib/mill/records"]
# A real one asks a DNS host instead of a file, with the request's "secret", which must not get onto a command line.
set -eu
records=$1
exec 9>>"$records.lock" && flock 9
[ -e "$records" ] || : >"$records"

# Says what is to be answered and, after a write, what the file shall hold.
result=$(jq --compact-output --rawfile file "$records" '
  ($file | split("\n") | map(select(. != "") | split(" "))) as $rows
  | def set($name; $type): [$rows[] | select(.[0] == $name and .[1] == $type)]
      | if . == [] then null else {ttl: (.[0][2] | tonumber), addresses: (map(.[3]) | sort)} end;
    def sorted: if . then .addresses |= sort else . end;
  if .action == "read" then
    {answer: {version: 1, names: ([.names[] as $name | {key: $name, value: ({
      sets: ({A: set($name; "A"), AAAA: set($name; "AAAA")} | map_values(values)),
      obstacle: ([$rows[] | select(.[0] == $name and .[1] == "CNAME") | {cname: .[3]}][0])
    } | map_values(values))}] | from_entries)}}
  elif any(.changes[]; set(.name; .type) != (.before | sorted) or set(.name; "CNAME")) then
    {answer: {version: 1, fault: {kind: "conflict", why: "the file holds something else by now"}}}
  else
    .changes as $changes
    | {answer: {version: 1, done: true, detail: "\($changes | length) written to the file"}, lines: (
        [$rows[] | select(. as $row | all($changes[]; .name != $row[0] or .type != $row[1])) | join(" ")]
        + [$changes[] | "\(.name) \(.type) \(.after.ttl) \(.after.addresses[])"])}
  end')
if printf '%s' "$result" | jq --exit-status 'has("lines")' >/dev/null; then
    printf '%s' "$result" | jq --raw-output '.lines[]' >"$records.new"
    mv "$records.new" "$records"
fi
printf '%s' "$result" | jq .answer
