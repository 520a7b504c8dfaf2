"""`python -m config.ask_health`: exit status 0 when the health page of this container says 200."""

from __future__ import annotations

import http.client
import os
import sys


def main() -> int:
    port = int(os.environ.get("HEAPLEDGER_PORT") or 8000)
    # The server answers only for its own names; a caller inside the container uses the first of them.
    host = (os.environ.get("HEAPLEDGER_ALLOWED_HOSTS") or "localhost").split(",")[0].strip()
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=8)
    try:
        connection.request("GET", "/healthz", headers={"Host": host})
        answer = connection.getresponse()
        print(answer.read().decode())
        return 0 if answer.status == 200 else 1
    except OSError as fault:
        print(f"The web server does not answer on port {port}: {fault}")
        return 1
    finally:
        connection.close()


if __name__ == "__main__":
    sys.exit(main())
