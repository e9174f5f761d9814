"""A phone's receiver in a process of its own, so that it can be frozen: phone_child.py PORT FILE.

Appends one line per message: the reference in its last line. Stands alone: imports nothing of this project.
"""

import json
import sys
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

heard = Path(sys.argv[2])


class Handler(BaseHTTPRequestHandler):
    """Takes any message."""

    def do_POST(self) -> None:
        length = int(self.headers.get("Content-Length") or 0)
        body = self.rfile.read(length)
        if len(body) < length:  # the caller hung up in the middle
            return
        message = json.loads(body)["message"]
        with heard.open("a", encoding="utf-8") as file:
            file.write(message.strip().splitlines()[-1].removeprefix("ref ") + "\n")
        self.send_response(200)
        self.send_header("Content-Length", "2")
        self.end_headers()
        self.wfile.write(b"{}")

    def log_message(self, format: str, *args: object) -> None:
        """Say nothing."""


ThreadingHTTPServer(("127.0.0.1", int(sys.argv[1])), Handler).serve_forever()
