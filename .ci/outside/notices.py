"""A delivery of the real program, verified by an implementation of Standard Webhooks that is not ours.

usage: notices.py PROGRAM; needs `standardwebhooks` of PyPI. Loopback only.
"""

import json
import pathlib
import subprocess
import sys
import tempfile
from http.server import BaseHTTPRequestHandler, HTTPServer
from threading import Thread

from standardwebhooks.webhooks import Webhook, WebhookVerificationError

SECRET = "whsec_c29ha3Byb29mIGlzIHRyeWluZyBvdXQgaXRzIGtleXM="
seen = []


class Receiver(BaseHTTPRequestHandler):
    def do_POST(self):
        body = self.rfile.read(int(self.headers["content-length"]))
        seen.append((dict(self.headers.items()), body))
        self.send_response(204)
        self.end_headers()

    def log_message(self, *_):
        pass


def deliver(program, folder, url, secret):
    (folder / "key").write_text(secret + "\n")
    configuration = folder / "soakproof.toml"
    configuration.write_text(
        f'[[notice]]\nname = "receiver"\nurl = "{url}"\nsecret-file = "{folder}/key"\n'
    )
    arguments = [program, "notices", "test", "--config", str(configuration)]
    subprocess.run(arguments, check=True, timeout=60, stdout=subprocess.DEVNULL)
    return seen.pop()


def main():
    server = HTTPServer(("127.0.0.1", 0), Receiver)
    Thread(target=server.serve_forever, daemon=True).start()
    url = f"http://127.0.0.1:{server.server_port}/"
    with tempfile.TemporaryDirectory() as name:
        headers, body = deliver(sys.argv[1], pathlib.Path(name), url, SECRET)
        # Raises unless the signature is right and the timestamp within five minutes.
        event = Webhook(SECRET).verify(body, headers)
        assert event["type"] == "notice.test" and event == json.loads(body), event
        # The same check refuses what it must.
        for wrong_body, wrong_headers in [
            (body + b" ", headers),
            (body, headers | {"webhook-id": "msg_other"}),
            (body, headers | {"webhook-timestamp": str(int(headers["webhook-timestamp"]) + 1)}),
        ]:
            try:
                Webhook(SECRET).verify(wrong_body, wrong_headers)
            except WebhookVerificationError:
                continue
            raise AssertionError("a changed delivery was accepted")
    server.shutdown()
    print("notices: a real delivery verifies with `standardwebhooks` of PyPI")


main()
