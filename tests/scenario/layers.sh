#!/bin/sh
# The arrows of the house: which folder may include which. base <- model <- analysis <- store <-
# (notify, web) <- fleet <- daemon, tool; config and drivers know base and model only.
cd "$(dirname "$0")/../.." || exit 1
rc=0
allow_file() { # allow_file FILE "LAYERS IT MAY INCLUDE"
    own=$(dirname "$1")
    for inc in $(sed -n 's/^#include "\([^"]*\)".*/\1/p' "$1"); do
        case $inc in
        */*) layer=${inc%/*} ;;
        *) [ -f "$own/$inc" ] || { echo "$1: \"$inc\" is not a header of its own folder"; rc=1; }
           continue ;;
        esac
        case " $2 $own ${own#gateway/} " in
        *" $layer "*) ;;
        *) echo "$1: includes $inc, but it may include only: $2"; rc=1 ;;
        esac
    done
}
allow() { # allow FOLDER "LAYERS IT MAY INCLUDE" [FILE THAT IS ALLOWED FOR BY ITSELF]
    for f in "$1"/*.c "$1"/*.h; do
        [ -f "$f" ] && [ "$f" != "$1/${3:-}" ] && allow_file "$f" "$2"
    done
}
allow gateway/base ""
allow gateway/model "base"
allow gateway/analysis "base model"
allow gateway/store "base model analysis"
allow gateway/notify "base model analysis store"
allow gateway/web "base model analysis store"
# the centre of many sites lies above the gateway's parts: it speaks over the same line and serves by the same server
allow gateway/fleet "base model analysis store notify web" main.c
allow_file gateway/fleet/main.c "base model analysis store notify web config"
allow config "base model"
allow drivers "base model"
# the simulated house has a main of its own, which reads the site as the daemon does
allow drivers/simulated "base model drivers" main.c
allow_file drivers/simulated/main.c "base model drivers config"
# nothing in analysis reads a clock, a file, a socket or a random number, and nothing logs
if grep -nE '\b(clock_(mono|wall)_|clock_utc|time\(|gettimeofday|fopen|open\(|socket\(|rand\(|random\(|getenv|log_(error|warning|info|debug)|printf\()' gateway/analysis/*.c |
    grep -vE 'snprintf\(|text_printf\('; then
    echo "analysis is pure: the lines above are not"
    rc=1
fi
# each .c includes its own header first, so that the header stands alone
for f in gateway/*/*.c drivers/*.c drivers/simulated/*.c config/*.c; do
    h=$(basename "$f" .c).h
    [ -f "$(dirname "$f")/$h" ] || continue
    first=$(sed -n 's/^#include "\([^"]*\)".*/\1/p' "$f" | head -n 1)
    [ "$first" = "$h" ] || { echo "$f: includes \"$first\" before its own \"$h\""; rc=1; }
done
for e in $(ls -A); do
    case " README.md DEVELOPERS.md Makefile LICENSE gateway drivers config tests deploy docs " in *" $e "*) continue ;; esac
    case $e in .*|build*|node_modules) ;; *) echo "top level: $e is not in the layout"; rc=1 ;; esac
done
exit $rc
