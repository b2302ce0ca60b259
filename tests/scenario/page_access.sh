#!/bin/sh
# Who may come in, with a running gateway that asks: by HTTPS, on loopback with login = true as a proxy would have
# it. The first code, passwords, roles, forged requests, visits, waits, restarts, the tool, what is left in the record.
set -u
b=$1
cd "$(dirname "$0")/../.." || exit 1
. tests/lib.sh
meter=$(free_port)
page=$(free_port)
demo_site "$meter" 1
openssl req -x509 -newkey rsa:2048 -nodes -keyout "$dir/site/page.key" -out "$dir/site/page.pem" -days 2 -subj /CN=localhost 2> /dev/null ||
    fail "openssl makes no certificate"
chmod 640 "$dir/site/page.key"
echo "page = { port = $page; login = true; tls = { cert = \"page.pem\"; key = \"page.key\"; }; };" > "$dir/site/page.cfg"
echo 'people = ();' > "$dir/site/delivery.cfg"
"$b/foretrip" check --config "$dir/site" > "$dir/check.txt" 2>&1 && fail "a page that nobody could let people in to is taken"
grep -q 'page.cfg:.*role = "administrator"' "$dir/check.txt" || fail "check does not say who is missing: $(cat "$dir/check.txt")"
cat > "$dir/site/delivery.cfg" <<END
people = (
  { id = "ada"; name = "Ada Lind"; role = "administrator"; },
  { id = "kim"; name = "Kim Ito"; role = "resident"; },
  { id = "mo"; name = "Mo Diaz"; role = "manager"; } );
END
"$b/foretrip" check --config "$dir/site" > /dev/null || fail "the configuration is not taken"
start_house "$meter"
gateway_up() {
    start gateway "$b/foretripd" --config "$dir/site" --state "$dir/state"
    gateway=$started
    until_true 20 listening "$page" || fail "the page is not served"
}
gateway_up
for f in "$dir"/state/foretrip.db*; do
    [ "$(stat -c %a "$f")" = 600 ] || fail "$f can be read by others: $(stat -c %a "$f")"
done
code=$(sed -n 's/.*no administrator has a password yet.* gives \([0-9A-Z-]*\)$/\1/p' "$dir/gateway.log")
[ -n "$code" ] || fail "no code for the first administrator"
ask() { # ask STEP [ARGUMENTS]: what comes of it may be printed
    /usr/bin/python3 tests/scenario/page_access.py "https://localhost:$page" "$dir" "$@"
}
tool() {
    "$b/foretrip" people "$@" --config "$dir/site" --database "$dir/state/foretrip.db" 2> "$dir/tool.txt"
}
ask stranger || fail "before a login"
ask first "$code" || fail "the first administrator"
ask people || fail "those whom the administrator lets in"
ask manager || fail "what a manager sees"
ask clients || fail "clients that behave badly"

# the tool, at the gateway
tool | grep -q '^kim .*resident .*yes' || fail "the tool does not list people: $(tool)"
tool invite nobody && fail "the tool invites somebody whom nobody knows"
tool visit Rosa && fail "the tool lets somebody in for good"
code=$(tool invite mo) || fail "the tool makes no code: $(cat "$dir/tool.txt")"
until_true 20 ask choose mo "$code" || fail "the code of the tool lets nobody in"
code=$(tool visit "Rosa Vega" --for 1h) || fail "the tool makes no code for a visit: $(cat "$dir/tool.txt")"
until_true 20 ask visit "$code" || fail "the visit's code of the tool lets nobody in"
tool end mo > /dev/null || fail "the tool ends nothing"
until_true 20 ask ended mo || fail "the tool ends no session"

# sessions survive a restart and a reload, passwords too; the first code does not come again
kill -HUP "$gateway"
until_true 20 grep -q "the new configuration is in force" "$dir/gateway.log" || fail "no reload"
until_true 20 listening "$page"
ask still || fail "a reload throws people out"
kill "$gateway"
wait "$gateway"
: > "$dir/gateway.log"
gateway_up
ask still || fail "a restart throws people out"
grep -q "no administrator has a password" "$dir/gateway.log" && fail "the first code is there again"
ask waits || fail "whoever tries too often"
ask audit || fail "who did what"
! grep -aq 'correct horse' "$dir"/state/foretrip.db* "$dir/gateway.log" || fail "a password is in the record or in the log"
exit 0
