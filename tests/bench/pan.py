"""20 clients that pan charts of the demonstration house for half a minute: pan.py PORT."""
import http.client
import random
import sys
import threading
import time

port, end, times = int(sys.argv[1]), time.monotonic() + 30, []


def pan(seed):
    r = random.Random(seed)
    c = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
    while time.monotonic() < end:
        now, span = time.time(), r.choice((3600, 86400, 30 * 86400, 365 * 86400))
        begun = time.monotonic()
        c.request("GET", f"/api/v1/circuits/main-{r.randrange(1, 15):02d}/history?from={now - span:.0f}&to={now:.0f}&points=600")
        c.getresponse().read()
        times.append(time.monotonic() - begun)
        time.sleep(0.02)


threads = [threading.Thread(target=pan, args=(i,)) for i in range(20)]
for t in threads:
    t.start()
for t in threads:
    t.join()
times.sort()
print(f"{len(times)} charts, with the clients' own time: median {1000 * times[len(times) // 2]:.1f} ms, 99 % {1000 * times[len(times) * 99 // 100]:.1f} ms")
