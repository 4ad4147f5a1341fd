"""A web server on the loopback that takes messages, and answers as a test says."""

import http.server
import json
import threading


class Webhook:
    """Takes POSTs and answers with what a test says, once it may."""

    def __init__(self, *, is_up: bool = True) -> None:
        """`is_up`: whether it listens; one that does not has its port already, and refuses."""
        self.heard: list[dict[str, object]] = []
        self.answers: list[int] = []
        """The first ones; what comes after them is answered with `then`."""
        self.then = 200
        self.followed: list[dict[str, object]] = []
        self.may_answer = threading.Event()
        """Cleared, it takes what comes and does not answer until it is set."""
        self.may_answer.set()
        outer = self

        class Handler(http.server.BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                outer.may_answer.wait(60)
                status = outer.answers.pop(0) if outer.answers else outer.then
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

        self._server = http.server.ThreadingHTTPServer(
            ("127.0.0.1", 0), Handler, bind_and_activate=False
        )
        self._server.daemon_threads = True
        self._server.server_bind()
        self.port = self._server.server_address[1]
        self._thread: threading.Thread | None = None
        if is_up:
            self.start()

    def start(self) -> None:
        """Begin to listen."""
        self._server.server_activate()
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,))
        self._thread.start()

    def close(self) -> None:
        """Stop answering."""
        self.may_answer.set()
        if self._thread is not None:
            self._server.shutdown()
            self._thread.join()
        self._server.server_close()
