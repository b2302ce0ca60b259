#!/bin/sh
# Letters to people over real servers: a mail server with STARTTLS and a login, webhooks over HTTPS. A
# way that is down, stalls or refuses delays no other; each way keeps its order; kill -9 in the middle
# loses nothing and what comes twice carries the same id; nothing goes out in the clear that should not.
set -u
b=$(cd "$1" && pwd) || exit 1
cd "$(dirname "$0")" || exit 1
dir=$(mktemp -d)
. ./broker.inc
need openssl
need sqlite3
/usr/bin/python3 -c 'import aiosmtpd' 2> /dev/null || { echo "python3-aiosmtpd is not installed"; exit 77; }
mail_pid= hook_pid= writer_pid=
finish() {
    for pid in $mail_pid $hook_pid $writer_pid; do kill "$pid" 2> /dev/null; done
    wait
    rm -rf "$dir"
}
trap finish EXIT
fail() { echo "$1"; tail -n 20 "$dir"/*.log; exit 1; }

openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 2 -subj /CN=localhost \
    -addext "subjectAltName=DNS:localhost,IP:127.0.0.1" -keyout "$dir/key.pem" -out "$dir/cert.pem" \
    > "$dir/openssl.log" 2>&1 || fail "no certificate"
openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 2 -subj /CN=other \
    -keyout "$dir/otherkey.pem" -out "$dir/other.pem" >> "$dir/openssl.log" 2>&1
echo "s3cret word" > "$dir/password"
echo "t0ken" > "$dir/token"
chmod 600 "$dir/password" "$dir/token"
echo ok > "$dir/manners"
mail_port=$(free_port)
hook_port=$(free_port)
closed_port=$(free_port)

mail_start() { # mail_start WAY
    /usr/bin/python3 mail_server.py "$mail_port" "$dir/cert.pem" "$dir/key.pem" "$dir" "$1" > "$dir/mail.log" 2>&1 &
    mail_pid=$!
    wait_until 20 listening "$mail_port" || fail "the mail server did not start"
}
mail_stop() {
    kill "$mail_pid"
    wait "$mail_pid" 2> /dev/null
    mail_pid=
}
config() { # config SECURITY CA PEOPLE..
    mkdir -p "$dir/site"
    cat > "$dir/site/site.cfg" << END
site = { id = "alder-31"; name = "31 Alder Lane"; timezone = "America/Chicago"; standard = "UL489"; nominal_volts = 120.0; };
panels = ( { id = "main"; name = "Main panel"; legs = 2; rating_amps = 100; } );
circuits = ( { id = "main-07"; panel = "main"; position = "7"; name = "Bath"; breaker_amps = 15; leg = "A"; } );
END
    {
        echo "mail = { host = \"localhost\"; port = $mail_port; security = \"$1\"; username = \"alder-31\";"
        echo "  password_file = \"$dir/password\"; from = \"house@alder.example\"; ca = \"$2\"; };"
        shift 2
        echo "people = ("
        sep=
        for p in "$@"; do echo "$sep{ $p }"; sep=,; done
        echo ");"
    } > "$dir/site/delivery.cfg"
}
hook() { # hook ID PATH
    echo "id = \"$1\"; name = \"$1\"; webhook = \"https://localhost:$hook_port/$2\"; webhook_ca = \"$dir/cert.pem\"; token_file = \"$dir/token\";"
}
kim='id = "kim"; name = "Kim Ño"; mail = "kim@alder.example"; language = "es";'
lee='id = "lee"; name = "Lee"; mail = "lee@alder.example";'
run() { # run RECORD COUNT SECONDS: sets rc
    "$b/tests/peer/letter_writer" "$dir/$1.db" "$dir/site" "$2" "$3" > "$dir/out.log" 2>&1
    rc=$?
}
mails() { [ -f "$dir/mail" ] && wc -l < "$dir/mail" || echo 0; }
order() { # order FILE FIELD.. : numbers of the subjects, in the order of arrival
    /usr/bin/python3 - "$@" << 'END'
import json, sys
for line in open(sys.argv[1]):
    o = json.loads(line)
    if len(sys.argv) > 2 and o.get("path") != sys.argv[2]:
        continue
    print((o.get("letter") or o)["subject"].split()[-1])
END
}

/usr/bin/python3 hook_server.py "$hook_port" "$dir/cert.pem" "$dir/key.pem" "$dir" > "$dir/hook.log" 2>&1 &
hook_pid=$!
mail_start starttls
wait_until 20 listening "$hook_port" || fail "the receiver did not start"

# 1. good ways beside bad ones
config starttls "$dir/cert.pem" "$kim" "$lee" "$(hook ana good)" "$(hook bo stall)" "$(hook cy drop)" \
    "$(hook dee later)" "$(hook eva gone)" \
    "id = \"fay\"; name = \"fay\"; webhook = \"https://localhost:$closed_port/\"; webhook_ca = \"$dir/cert.pem\";" \
    "id = \"gus\"; name = \"gus\"; webhook = \"https://localhost:$hook_port/good\"; webhook_ca = \"$dir/other.pem\";"
run one 5 8
[ $rc = 2 ] || fail "letters of ways that are down should wait (exit $rc)"
seq 1 5 > "$dir/wanted"
order "$dir/mail" | cmp - "$dir/wanted" || fail "mail: lost or out of order"
order "$dir/hooks" /good | cmp - "$dir/wanted" || fail "webhook: lost, out of order, or to a server of no known authority"
order "$dir/hooks" /later | cmp - "$dir/wanted" || fail "a webhook that was busy: lost or out of order"
waiting=$(sqlite3 "$dir/one.db" 'SELECT group_concat(topic || " " || n, ", ") FROM (SELECT topic, count(*) AS n FROM outbox GROUP BY topic ORDER BY topic)')
[ "$waiting" = "webhook/bo 5, webhook/cy 5, webhook/fay 5, webhook/gus 5" ] || fail "waiting: $waiting"
grep -q 'no such mailbox' "$dir/out.log" || fail "the refusal was not said"
# one recipient of several is refused: whoever looks after it sees which, and what the server said
grep -q '^ways refused 2: \(mail to Lee: .*no such mailbox here\|webhook to eva: .*410\)' "$dir/out.log" ||
    fail "it is not said whose letters are refused: $(grep refused "$dir/out.log")"
grep -Eq 'waiting 20 down 4 why webhook to (bo|cy|fay|gus): ' "$dir/out.log" || fail "it is not said which way is down"
grep -q 's3cret\|t0ken' "$dir/out.log" && fail "a secret in the log"

# what arrived, as an independent reader has it
/usr/bin/python3 - "$dir/mail" "$dir/hooks" << 'END' || fail "what arrived is not right"
import json, sys
m = [json.loads(l) for l in open(sys.argv[1])][0]
assert m["tls"] and m["login"], "no TLS or no login"
assert m["to"] == ["kim@alder.example"] and m["from"] == "house@alder.example", m
assert m["subject"] == "Número 1" and "Kim Ño" in m["header_to"], m
assert m["header_from"] == "31 Alder Lane <house@alder.example>", m
assert m["defects"] == [] and m["longest"] <= 998 and m["auto"] == "auto-generated", m
assert m["id"].startswith("<alder-31-") and m["id"].endswith("@alder.example>"), m["id"]
m["plain"] = m["plain"].replace("\r\n", "\n")
assert "on its way.\n.\nA dot" in m["plain"], [m["plain"]]
assert "bath & <hall>) has opened = a line so long" in m["plain"], m["plain"]
assert "Déjelo apagado" in m["plain"] and "bath &amp; &lt;hall&gt;)" in m["html"], m
h = [json.loads(l) for l in open(sys.argv[2])][0]
assert h["token"] == "Bearer t0ken" and h["type"] == "application/json", h
assert h["key"] == h["letter"]["id"] and h["letter"]["site"] == "alder-31", h
assert "Déjelo apagado" in h["letter"]["text"], h
END

# 2. a mail server that is busy, drops, stalls: all waits, then all comes, in order
rm -f "$dir/mail"
config starttls "$dir/cert.pem" "$kim"
for word in busy drop stall; do
    echo $word > "$dir/manners"
    [ $word = busy ] && run two 4 3 || run two 0 3
    [ $rc = 2 ] || fail "$word: exit $rc"
    [ "$(mails)" = 0 ] || fail "$word: $(mails) mails taken"
done
echo ok > "$dir/manners"
# kill -9 while they go out, again and again
for i in 1 2 3; do
    before=$(mails)
    : > "$dir/out.log"
    "$b/tests/peer/letter_writer" "$dir/two.db" "$dir/site" 4 20 > "$dir/out.log" 2>&1 &
    writer_pid=$!
    more() { grep -q written "$dir/out.log" && [ "$(mails)" -gt "$before" ]; }
    wait_until 20 more || fail "no mail went out"
    kill -9 $writer_pid
    wait $writer_pid 2> /dev/null
    writer_pid=
done
run two 0 20
[ $rc = 0 ] || fail "not all went out: $(cat "$dir/out.log")"
/usr/bin/python3 - "$dir/mail" << 'END' || fail "after kill -9: lost, or twice with another id"
import json, sys
seen, order = set(), []
for line in open(sys.argv[1]):
    m = json.loads(line)
    if m["id"] not in seen:
        seen.add(m["id"])
        order.append((int(m["id"].split("-")[2].split(".")[0]), m["subject"]))
assert len(order) == 16 and order == sorted(order), order
assert [s for _, s in order] == ["Número %d" % (1 + i % 4) for i in range(16)], order
END

# 3. never in the clear, never with a wrong password, never to a server of an unknown authority
rm -f "$dir/mail"
mail_stop
mail_start clear
run three 1 2
[ $rc = 2 ] && [ "$(mails)" = 0 ] || fail "mail went out without TLS"
mail_stop
mail_start starttls
config starttls "$dir/other.pem" "$kim"
run three 0 2
[ $rc = 2 ] && [ "$(mails)" = 0 ] || fail "mail went to a server of an unknown authority"
echo wrong > "$dir/password"
config starttls "$dir/cert.pem" "$kim"
run three 0 2
[ $rc = 2 ] && [ "$(mails)" = 0 ] || fail "mail went out with a wrong password"
echo "s3cret word" > "$dir/password"
mail_stop
# and TLS from the first byte
mail_start tls
config tls "$dir/cert.pem" "$kim"
run three 0 20
[ $rc = 0 ] && [ "$(mails)" = 1 ] || fail "TLS from the first byte: $(cat "$dir/out.log")"

# 4. more letters than are held in memory, beside a way that is down
rm -f "$dir/mail"
config tls "$dir/cert.pem" "$kim" "$(hook bo stall)"
"$b/tests/peer/letter_writer" "$dir/four.db" "$dir/site" 150 60 > "$dir/out.log" 2>&1 &
writer_pid=$!
all() { [ "$(mails)" -ge 150 ]; }
wait_until 50 all || fail "only $(mails) mails of 150 came"
seq 1 150 > "$dir/wanted"
order "$dir/mail" | cmp - "$dir/wanted" || fail "of many letters: lost or out of order"
echo "9 ways of which 4 were down, 3 kill -9, 7 bad manners: every letter once, in order, encrypted"
