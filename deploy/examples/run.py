#!/usr/bin/env python3
"""Runs a plan on a daemon of lidded and fetches what came of it.

    run.py PLAN SPECIMEN [FOLDER]

Standard library only. LIDDED_URL is the daemon (default
http://127.0.0.1:7460); LIDDED_TOKEN_FILE names a file with the token it wants,
if it wants one (or LIDDED_TOKEN is the token), LIDDED_CA one with the
certificate that vouches for it. At each hold point the instruction is shown,
and the run goes on when you press Enter; without anybody there (end of input)
it is aborted. KEY makes it safe to start again: the same key never starts a
second run (default: plan, specimen and today). Exit code 0: the specimen meets
its requirement; 1: it does not, or not surely; 2: no result.
"""

import datetime
import json
import os
import pathlib
import ssl
import sys
import time
import urllib.error
import urllib.request

URL = os.environ.get("LIDDED_URL", "http://127.0.0.1:7460")
TOKEN = os.environ.get("LIDDED_TOKEN", "")
if os.environ.get("LIDDED_TOKEN_FILE"):
    TOKEN = pathlib.Path(os.environ["LIDDED_TOKEN_FILE"]).read_text().strip()
TRUST = ssl.create_default_context(cafile=os.environ.get("LIDDED_CA") or None)


class Problem(Exception):
    """What the daemon, or the way to it, has against a request."""


def ask(method, path, body=None, key=None):
    """Sends a request; returns the bytes of the answer."""
    request = urllib.request.Request(URL + path, method=method)
    request.add_header("Content-Type", "application/json")
    if TOKEN:
        request.add_header("Authorization", f"Bearer {TOKEN}")
    if key:
        request.add_header("Idempotency-Key", key)
    data = None if body is None else json.dumps(body).encode()
    try:
        with urllib.request.urlopen(request, data, timeout=60, context=TRUST) as answer:
            return answer.read()
    except urllib.error.HTTPError as error:
        text = error.read()
        try:
            problem = json.loads(text)
            text = problem.get("detail") or problem.get("title")
        except ValueError:
            pass
        raise Problem(f"{method} {path}: {text}") from None
    except urllib.error.URLError as error:
        raise Problem(f"no daemon at {URL}: {error.reason}") from None


def show(run):
    return json.loads(ask("GET", f"/v1/runs/{run}"))


def hold(run, point):
    """Shows what a hold point asks for and releases it when it is done."""
    for caution in point.get("cautions") or []:
        print("caution:", caution)
    print(point["instruction"])
    try:
        input("Press Enter when it is done: ")
    except EOFError:
        ask("POST", f"/v1/runs/{run}/abort", {})
        raise Problem("nobody is there: aborted") from None
    ask("POST", point["release"], {})


def wait(run):
    """Waits for the end of a run, with a person at its hold points."""
    while True:
        now = show(run)
        state = now["state"]
        if state == "completed":
            return
        if state in ("stopped", "aborted", "failed", "interrupted"):
            raise Problem(f"the run ended {state}: {now.get('reason', '')}")
        if state == "holding" and now.get("hold"):
            hold(run, now["hold"])
        else:
            time.sleep(1)


def main(plan, specimen, folder="."):
    key = os.environ.get("KEY") or f"{plan}-{specimen}-{datetime.date.today()}"
    order = {"plan": plan, "specimens": [specimen], "operator": os.environ.get("USER", "python")}
    run = json.loads(ask("POST", "/v1/runs", order, key))["id"]
    print("run", run)
    wait(run)
    folder = pathlib.Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    for name in ("results.csv", "report.pdf"):
        path = folder / f"{run}-{name}"
        path.write_bytes(ask("GET", f"/v1/runs/{run}/{name}"))
        print(path)
    summary = json.loads(ask("GET", f"/v1/runs/{run}/results"))["summaries"][0]
    print(summary["sentence"])
    return 0 if summary["verdict"] == "meets" else 1


if __name__ == "__main__":
    if not 3 <= len(sys.argv) <= 4:
        print("usage: run.py PLAN SPECIMEN [FOLDER]", file=sys.stderr)
        sys.exit(2)
    try:
        sys.exit(main(*sys.argv[1:]))
    except Problem as problem:
        print(problem, file=sys.stderr)
        sys.exit(2)
