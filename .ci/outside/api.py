"""The API of the real program, held against implementations that are not ours: its document by a validator
of OpenAPI, its figures by a parser of OpenMetrics, its answers by requests made up from the document.

usage: api.py PROGRAM MACHINE; needs `openapi-spec-validator`, `prometheus-client` and `schemathesis` of PyPI. A
service of its own on an invented machine, loopback only; its queue is paused, so nothing but one run of 6 s is load.
"""

import http.client
import json
import pathlib
import secrets
import shutil
import socket
import subprocess
import sys
import tempfile
import time

from openapi_spec_validator import validate
from prometheus_client.openmetrics.parser import text_string_to_metric_families

SUITE = """about = "arithmetic"
asserts = ["answers"]
stall-after = "10s"

[[stage]]
name = "work"
time = "6s"

[[stage.load]]
kernels = ["int-streams.reg"]
cores = "all"
"""
PATIENCE_S = 60
FUZZING_S = 45


class Local(http.client.HTTPConnection):
    """HTTP at a Unix socket."""

    def __init__(self, path):
        super().__init__("localhost", timeout=20)
        self.path = path

    def connect(self):
        self.sock = socket.socket(socket.AF_UNIX)
        self.sock.settimeout(self.timeout)
        self.sock.connect(str(self.path))


def ask(place, target, body=None):
    connection = Local(place)
    method, text = ("GET", None) if body is None else ("POST", json.dumps(body))
    connection.request(method, target, text, {"content-type": "application/json"})
    answer = connection.getresponse()
    told = answer.read().decode()
    assert answer.status < 300, (target, answer.status, told)
    return told


def wait(what, ready):
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until:
        try:
            found = ready()
        except OSError:
            found = None
        if found:
            return found
        time.sleep(0.2)
    raise AssertionError(f"waited in vain for {what}")


def parse(figures):
    """Families by name; the parser refuses what OpenMetrics 1.0 does not allow."""
    return {family.name: family for family in text_string_to_metric_families(figures)}


def check_figures(place):
    idle = parse(ask(place, "/metrics"))
    assert idle["soakproof_run_active"].samples[0].value == 0
    ask(place, "/v1/queue", {"wish": {"suite": "own", "text": SUITE}})
    live = wait(
        "figures of a sample",
        lambda: (found := parse(ask(place, "/metrics"))).get("soakproof_worker_passes") and found,
    )
    heat = live["soakproof_sensor_temperature_celsius"]
    assert (heat.type, heat.unit) == ("gauge", "celsius"), heat
    assert live["soakproof_worker_checked_seconds"].type == "counter"
    wait("the run's end", lambda: json.loads(ask(place, "/v1/runs"))["runs"][-1]["grade"])
    over = wait(
        "no run",
        lambda: (found := parse(ask(place, "/metrics")))["soakproof_run_active"].samples[0].value == 0
        and found,
    )
    assert over["soakproof_last_run"].type == "info"
    figures = ask(place, "/metrics")
    for wrong in [
        figures.replace("# EOF\n", ""),
        figures.replace("soakproof_run_active 0.0", "soakproof_run_active"),
    ]:
        assert wrong != figures, figures
        try:
            parse(wrong)
        except ValueError:
            continue
        raise AssertionError("figures that are wrong were accepted")


def check_document(document):
    validate(document)
    document["info"].pop("version")
    try:
        validate(document)
    except Exception:
        return
    raise AssertionError("a document without its version was accepted")


def make_up_requests(folder, listen, token):
    """Streams end when a run does, and starting a run is load: those two are left out."""
    command = [
        pathlib.Path(sys.executable).with_name("schemathesis"),
        "run", f"http://{listen}/openapi.json",
        "--header", f"Authorization: Bearer {token}",
        "--exclude-path-regex", "/live$",
        "--exclude-operation-id", "post_runs",
        "--phases", "fuzzing",
        "--max-time", str(FUZZING_S),
        "--max-examples", "20",
        "--request-timeout", "20",
        # A text that names no suite is well formed and still refused.
        "--checks", "all", "--exclude-checks", "positive_data_acceptance",
        "--suppress-health-check", "all",
        "--seed", "9457",
        "--no-color",
    ]
    subprocess.run(command, check=True, timeout=FUZZING_S + 60, cwd=folder)


def main():
    program, source = sys.argv[1:3]
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        machine = folder / "machine"
        shutil.copytree(source, machine)
        (machine / "proc").mkdir(exist_ok=True)
        (machine / "proc/uptime").write_text("7200.00 1000.00\n")
        token = secrets.token_urlsafe(32)
        (folder / "token").touch(mode=0o600)
        (folder / "token").write_text(token)
        configuration = folder / "soakproof.toml"
        configuration.write_text(
            f'[service]\nlisten = "127.0.0.1:0"\ntoken-file = "{folder}/token"\n'
        )
        place = folder / "socket"
        service = subprocess.Popen(
            [program, "serve", "--machine", machine, "--store", folder / "store", "--socket", place]
            + ["--config", configuration, "--without-notices"],
            stderr=subprocess.DEVNULL,
        )
        try:
            facts = wait("the service", lambda: json.loads(ask(place, "/v1/service")))
            check_document(json.loads(ask(place, "/openapi.json")))
            check_figures(place)
            ask(place, "/v1/queue/pause", {})
            make_up_requests(folder, facts["listen"], token)
            assert service.poll() is None, "the service ended"
            ask(place, "/healthz")
        finally:
            service.terminate()
            service.wait(timeout=PATIENCE_S)
    print("api: document, figures and answers hold by implementations of PyPI")


main()
