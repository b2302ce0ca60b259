#!/bin/sh
# What of the parsers the fuzz targets reach, by clang's own counting: coverage.sh BUILD [PAGE]. BUILD was made with
# CC=clang and -fprofile-instr-generate -fcoverage-mapping; each target runs its seeds and, if FUZZ_CORPUS names a folder,
# what was found from them (FUZZ_CORPUS/<target without fuzz_>), then FUZZ_RUNS (20000) mutations. With PAGE, the table is
# put into it between its marks.
set -u
cd "$(dirname "$0")/../.." || exit 1
b=$1 page=${2:-}
dir=$(mktemp -d)
trap 'rm -rf "$dir"' EXIT

# which parsers a target is for
parsers() {
    case $1 in
    answer) echo gateway/fleet/ask_answer.c gateway/fleet/sheet_text.c ;;
    block) echo gateway/store/block.c ;;
    call) echo gateway/analysis/calls.c gateway/analysis/calls_save.c gateway/analysis/call_rules.c ;;
    centre_request) echo gateway/fleet/centre_answer.c gateway/fleet/centre_orders.c gateway/fleet/centre_people.c \
        gateway/fleet/centre_portfolio.c gateway/fleet/centre_record.c gateway/fleet/centre_unit.c gateway/fleet/centre_export.c ;;
    command) echo gateway/notify/command.c ;;
    directory_csv) echo gateway/analysis/directory_csv.c ;;
    discreet_sheet) echo gateway/fleet/discreet_sheet.c ;;
    est) echo gateway/base/est.c ;;
    fleet_config) echo config/fleet_file.c gateway/model/fleet.c ;;
    house_file) echo drivers/simulated/house_file.c ;;
    house_request) echo drivers/simulated/house_pdu.c ;;
    meter_map) echo config/map_file.c ;;
    modbus_answer) echo drivers/answer.c drivers/link.c drivers/decode.c drivers/meter_plan.c ;;
    pack) echo gateway/store/pack.c gateway/store/summary.c ;;
    parcel) echo gateway/fleet/parcel.c gateway/fleet/parcel_members.c gateway/fleet/parcel_strict.c ;;
    readings) echo drivers/recorded.c drivers/recorded_time.c drivers/cells.c drivers/cells_vector.c ;;
    sim_command) echo gateway/fleet/sim_site.c ;;
    site_config) echo config/source.c config/fields.c config/reader.c config/site_file.c config/site_meters.c config/site_wiring.c \
        config/rules_file.c config/delivery_file.c config/people_file.c config/page_file.c config/tariff_file.c \
        config/retention_file.c config/phrases_file.c config/study_file.c config/appliances_file.c ;;
    sparkplug) echo gateway/notify/sparkplug_payload.c ;;
    state) echo gateway/base/codec.c gateway/analysis/breaker_save.c gateway/analysis/loads_state.c gateway/analysis/trips_save.c \
        gateway/web/access_save.c gateway/notify/people_save.c gateway/web/trail.c ;;
    sunspec) echo drivers/sunspec.c ;;
    unit_places) echo gateway/fleet/csv.c ;;
    web_request) echo gateway/web/answer.c gateway/web/request.c gateway/web/door.c gateway/web/access.c gateway/web/api_ask.c \
        gateway/web/api_directory.c gateway/web/api_calls.c ;;
    *) echo ;;
    esac
}

{
    echo "| target | what it is for | lines reached | branches reached |"
    echo "|---|---|---|---|"
    for t in "$b"/tests/fuzz/fuzz_*; do
        case $t in *.[od]) continue ;; esac
        [ -x "$t" ] || continue
        name=$(basename "$t" | sed 's/^fuzz_//')
        files=$(parsers "$name")
        [ -n "$files" ] || { echo "no parser is named for $name" >&2; exit 1; }
        more=${FUZZ_CORPUS:+$FUZZ_CORPUS/$name}
        [ -d "${more:-/nowhere}" ] || more=
        mkdir -p "$dir/$name"
        # shellcheck disable=SC2086
        LLVM_PROFILE_FILE=$dir/$name.profraw "$t" -runs="${FUZZ_RUNS:-20000}" -entropic=0 -detect_leaks=0 "$dir/$name" \
            "tests/fuzz/seeds/$name" $more > "$dir/$name.log" 2>&1 || { cat "$dir/$name.log" >&2; exit 1; }
        llvm-profdata merge -o "$dir/$name.profdata" "$dir/$name.profraw" || exit 1
        # shellcheck disable=SC2086
        llvm-cov report "$t" -instr-profile="$dir/$name.profdata" $files > "$dir/$name.report" || exit 1
        awk -v name="$name" -v files="$files" '/^TOTAL/ { gsub(/gateway\//, "", files); gsub(/ /, ", ", files)
            printf "| %s | %s | %s of %d | %s of %d |\n", name, files, $10, $8, $13, $11 }' "$dir/$name.report"
    done
} > "$dir/table" || exit 1
cat "$dir/table"
[ -z "$page" ] && exit 0
awk -v table="$dir/table" '/^<!-- made by make fuzz-coverage -->/ { print; while ((getline line < table) > 0) print line; skip = 1 }
    /^<!-- end -->/ { skip = 0 } !skip && !/^<!-- made by make fuzz-coverage -->/ { print }' "$page" > "$dir/page" && cp "$dir/page" "$page"
