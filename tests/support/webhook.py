"""A web server on the loopback that takes messages, and answers as a test says."""

import http.server
import json
import threading
import time


class Webhook:
    """Takes POSTs and answers with what a test says, after as long as it says."""

    def __init__(self, port: int = 0) -> None:
        self.heard: list[dict[str, object]] = []
        self.answers: list[int] = []
        self.followed: list[dict[str, object]] = []
        self.pause_s = 0.0
        outer = self

        class Handler(http.server.BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                time.sleep(outer.pause_s)
                status = outer.answers.pop(0) if outer.answers else 200
                if status == 200:
                    outer.heard.append({**json.loads(body), "token": self.headers.get("X-Token")})
                try:
                    self.send_response(status)
                    if 300 <= status < 400:
                        self.send_header("Location", f"http://127.0.0.1:{outer.port}/elsewhere")
                    self.end_headers()
                except OSError:
                    return

            def do_GET(self) -> None:
                outer.followed.append({"path": self.path, "token": self.headers.get("X-Token")})
                self.send_response(200)
                self.end_headers()

            def log_message(self, *_words: object) -> None:
                return

        self._server = http.server.ThreadingHTTPServer(("127.0.0.1", port), Handler)
        self._server.daemon_threads = True
        self.port = self._server.server_address[1]
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,))
        self._thread.start()

    def close(self) -> None:
        """Stop answering."""
        self._server.shutdown()
        self._thread.join()
        self._server.server_close()
