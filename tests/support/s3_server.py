"""
An S3 server of moto's on loopback, in a process of its own, that fails when told to.

In a process of its own because an engine may hold Python's lock while it waits for an answer. Told by HTTP:
`PUT /__fail__` with JSON {"status": 503, "code": "SlowDown", "times": 3, "methods": ["GET"], "only": "text"}:
the next so many requests of these methods whose path holds the text are answered with that; `GET /__fail__` says
how many are left. Run as a script, prints its port.
"""

from __future__ import annotations

import json
import logging
import sys
import threading
from collections.abc import Callable, Iterable
from typing import Any

from moto.server import create_backend_app
from werkzeug.serving import WSGIRequestHandler, make_server

_ERROR = '<?xml version="1.0" encoding="UTF-8"?>\n<Error><Code>{code}</Code><Message>{code}</Message></Error>'


class Failing:
    """moto behind a door that answers some requests by itself."""

    def __init__(self, inner: Callable[..., Iterable[bytes]]) -> None:
        self.inner = inner
        self.plan: dict[str, Any] = {"times": 0}
        self.lock = threading.Lock()

    def __call__(self, environ: dict[str, Any], start_response: Callable[..., Any]) -> Iterable[bytes]:
        path, method = environ["PATH_INFO"], environ["REQUEST_METHOD"]
        if path == "/__fail__":
            if method == "PUT":
                self.plan = json.loads(environ["wsgi.input"].read(int(environ["CONTENT_LENGTH"])))
            start_response("200 OK", [("Content-Type", "application/json")])
            return [json.dumps(self.plan).encode()]
        with self.lock:
            plan = self.plan
            hit = (
                plan["times"] > 0
                and method in plan.get("methods", [method])
                and plan.get("only", "") in f"{path}?{environ.get('QUERY_STRING', '')}"
            )
            if hit:
                plan["times"] -= 1
        if hit:
            body = _ERROR.format(code=plan["code"]).encode()
            environ["wsgi.input"].read(int(environ.get("CONTENT_LENGTH") or 0))
            start_response(
                f"{plan['status']} {plan['code']}",
                [("Content-Type", "application/xml"), ("Content-Length", str(len(body)))],
            )
            return [] if method == "HEAD" else [body]
        return self.inner(environ, start_response)


class Lasting(WSGIRequestHandler):
    """Answers one request after another on a connection, as stores do; engines ask hundreds of times a load."""

    protocol_version = "HTTP/1.1"
    disable_nagle_algorithm = True


def main() -> None:
    """Serve until killed."""
    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    # Straight to the store: the dispatcher before it looks through all services that it knows at each request.
    application = Failing(create_backend_app("s3"))
    server = make_server("127.0.0.1", 0, application, threaded=True, request_handler=Lasting)
    print(server.server_port, flush=True)
    sys.stdout.close()
    server.serve_forever()


if __name__ == "__main__":
    main()
