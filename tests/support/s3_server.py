"""A real server that speaks S3, a process of its own on the loopback; it logs what is fetched."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

__all__ = ["S3Server"]

ROOT = Path(__file__).parents[2]
CREDENTIALS = {
    "AWS_ACCESS_KEY_ID": "test",
    "AWS_SECRET_ACCESS_KEY": "test",
    "AWS_DEFAULT_REGION": "us-east-1",
}


class S3Server:
    """The server, with what its clients need in their environment."""

    def __init__(self, folder: Path) -> None:
        """Start it and wait until it listens."""
        self._log = folder / "fetched.jsonl"
        told = folder / "port"
        with (folder / "server.log").open("wb") as log:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "tests.support.s3_server", str(told), str(self._log)],
                stdout=log,
                stderr=log,
                env={**os.environ, **CREDENTIALS, "PYTHONPATH": str(ROOT)},
            )
        end = time.monotonic() + 30.0
        while not told.exists() or not told.read_text("utf-8"):
            assert time.monotonic() < end, (folder / "server.log").read_text("utf-8")
            assert self._process.poll() is None, (folder / "server.log").read_text("utf-8")
            time.sleep(0.05)
        endpoint = f"http://127.0.0.1:{told.read_text('utf-8')}"
        self.environment = {**CREDENTIALS, "AWS_ENDPOINT_URL": endpoint}

    def fetched(self) -> list[dict[str, Any]]:
        """Return what was fetched so far: path, range asked for, status and bytes of each."""
        if not self._log.exists():
            return []
        return [json.loads(line) for line in self._log.read_text("utf-8").splitlines()]

    def kill(self) -> None:
        """Kill it, as a machine that loses its power would."""
        if self._process.poll() is None:
            self._process.send_signal(signal.SIGKILL)
            self._process.wait()


def _main(told: Path, log: Path) -> None:
    from moto.server import DomainDispatcherApplication, create_backend_app  # noqa: PLC0415
    from werkzeug.serving import make_server  # noqa: PLC0415

    # Both stand here because only the server's own process has to have them.

    app = DomainDispatcherApplication(create_backend_app)

    def logged(environ: dict[str, Any], start: Callable[..., Any]) -> Iterable[bytes]:
        seen: list[str] = []

        def begin(status: str, *rest: Any) -> Any:
            seen.append(status)
            return start(status, *rest)

        body = b"".join(app(environ, begin))
        if environ["REQUEST_METHOD"] == "GET":
            line = {
                "path": environ["PATH_INFO"],
                "range": environ.get("HTTP_RANGE"),
                "status": int(seen[0].split()[0]),
                "bytes": len(body),
            }
            with log.open("a", encoding="utf-8") as file:
                file.write(json.dumps(line) + "\n")
        return [body]

    server = make_server("127.0.0.1", 0, logged, threaded=True)
    told.write_text(str(server.server_port), encoding="utf-8")
    server.serve_forever()


if __name__ == "__main__":
    _main(Path(sys.argv[1]), Path(sys.argv[2]))
