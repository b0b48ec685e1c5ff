"""Notices as a stranger's programs get them: starts `tackfree demo`, receives its webhooks with a small server of its own,
and has every signature verified by the PyPI package `standardwebhooks`, across a rotation of the secret; reads the stream
with nothing but the rules of the WHATWG, breaks it off and goes on; and stops the program in order, a stream still open.

usage: check_webhooks.py PROGRAM
"""

import json
import os
import queue
import re
import signal
import subprocess
import sys
import tempfile
import threading
import urllib.request
from datetime import datetime, timezone
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

from standardwebhooks.webhooks import Webhook, WebhookVerificationError

WAIT = 30


class Receiver(BaseHTTPRequestHandler):
    came = queue.Queue()
    # Statuses to answer with first; then 204.
    answers = []

    def do_POST(self):
        body = self.rfile.read(int(self.headers["Content-Length"]))
        self.came.put(({name.lower(): value for name, value in self.headers.items()}, body))
        self.send_response(self.answers.pop(0) if self.answers else 204)
        self.end_headers()

    def log_message(self, *_):
        pass


def ask(base, token, method, path, body=None, **headers):
    headers = {"Authorization": f"Bearer {token}", "Content-Type": "application/json", **headers}
    data = None if body is None else json.dumps(body).encode()
    request = urllib.request.Request(f"{base}{path}", data=data, headers=headers, method=method)
    with urllib.request.urlopen(request, timeout=WAIT) as reply:
        text = reply.read()
        return json.loads(text) if text else None


class Stream:
    """Server-sent events, read by the rules of https://html.spec.whatwg.org/multipage/server-sent-events.html"""

    def __init__(self, base, token, last=None):
        headers = {"Authorization": f"Bearer {token}"}
        if last is not None:
            headers["Last-Event-ID"] = last
        self.reply = urllib.request.urlopen(urllib.request.Request(f"{base}/v1/stream", headers=headers), timeout=WAIT)
        self.last = last or ""

    def next(self):
        data, kind = [], "message"
        for line in self.reply:
            line = line.decode().rstrip("\n")
            if line == "":
                if data:
                    return kind, self.last, json.loads("\n".join(data))
                data, kind = [], "message"
                continue
            field, _, value = line.partition(":")
            value = value[1:] if value.startswith(" ") else value
            if field == "data":
                data.append(value)
            elif field == "event":
                kind = value
            elif field == "id":
                self.last = value
        return None

    def close(self):
        self.reply.close()


def verified(secret, wrong):
    headers, body = Receiver.came.get(timeout=WAIT)
    message = Webhook(secret).verify(body, headers)
    for other, text in [(wrong, body), (secret, body + b" ")]:
        try:
            Webhook(other).verify(text, headers)
            sys.exit("a wrong secret or another body is taken for ours")
        except WebhookVerificationError:
            pass
    assert headers["webhook-id"] == json.loads(body)["id"]
    return json.loads(body) if message is None else message, headers


def draft(base, token):
    return ask(base, token, "POST", "/v1/plans", {"move_budget": 0})


def check(base, token):
    server = ThreadingHTTPServer(("127.0.0.1", 0), Receiver)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    address = f"http://127.0.0.1:{server.server_address[1]}/notices"
    wanted = {"address": address, "types": ["plan.proposed", "plan.rejected"]}
    first = ask(base, token, "POST", "/v1/webhooks", wanted)
    stream = Stream(base, token)
    while stream.last == "":
        line = stream.reply.readline().decode()
        if line.startswith("id: "):
            stream.last = line[4:].strip()
    other = "whsec_" + "MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
    plan = draft(base, token)
    message, headers = verified(first["secret"], other)
    assert (message["type"], message["data"]["plan"]) == ("plan.proposed", plan["id"]), message
    kind, number, notice = stream.next()
    assert (kind, int(number), notice) == ("plan.proposed", notice["number"], message), (kind, number, notice)
    stream.close()
    # One that fails comes again, as the same.
    Receiver.answers.append(500)
    ask(base, token, "POST", f"/v1/plans/{plan['id']}/rejection", **{"If-Match": "*"})
    (rejected, headers), (again, later) = verified(first["secret"], other), verified(first["secret"], other)
    assert rejected == again and headers["webhook-id"] == later["webhook-id"], (rejected, again)
    stream = Stream(base, token, last=number)
    kind, _, notice = stream.next()
    assert (kind, notice) == ("plan.rejected", rejected), "the stream goes on where it was"
    # Both secrets sign after a rotation.
    second = ask(base, token, "POST", f"/v1/webhooks/{first['id']}/rotation", **{"If-Match": "*"})
    draft(base, token)
    headers, body = Receiver.came.get(timeout=WAIT)
    for secret in (first["secret"], second["secret"]):
        Webhook(secret).verify(body, headers)
    assert len(headers["webhook-signature"].split()) == 2
    done = ask(base, token, "GET", f"/v1/webhooks/{first['id']}/deliveries")["items"]
    print(f"{len(done)} notices arrived with signatures that standardwebhooks verifies, one at its second try, "
          f"two secrets signing after a rotation; the stream went on where it was broken off")
    return stream


def main():
    program = sys.argv[1]
    # As root the program hands the cluster to another user, who must be able to reach it.
    with tempfile.TemporaryDirectory(prefix="tackfree-", dir="/var/tmp") as data:
        os.chmod(data, 0o755)
        command = [program, "--data-directory", os.path.join(data, "data"), "demo", "--listen", "127.0.0.1:0",
                   "--webhook-targets", "private"]
        demo = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        said = []
        for line in demo.stdout:
            said.append(line)
            if line.startswith("Serving"):
                break
        said = "".join(said)
        try:
            token = re.search(r"Token for the API +(\S+)", said).group(1)
            base = re.search(r"(http://[^/]+)/docs/", said).group(1)
            stream = check(base, token)
            began = datetime.now(timezone.utc)
        finally:
            demo.send_signal(signal.SIGINT)
        assert demo.wait(timeout=40) == 0, f"the demo ended with {demo.returncode}"
        took = (datetime.now(timezone.utc) - began).total_seconds()
        assert took < 15, f"an open stream held the end up for {took} s"
        while stream.next() is not None:
            pass


if __name__ == "__main__":
    main()
