"""The embedded broker: Celery's own transport of plain files, made safe for a first look.

The transport writes a message in place, so that a worker that looks at the wrong moment reads half of
it and stops. Here a message appears under its name only when it is whole.
"""

from __future__ import annotations

import os
import uuid
from pathlib import Path
from time import time_ns
from typing import Any

from kombu.exceptions import ChannelError
from kombu.transport import filesystem
from kombu.transport.virtual import BrokerState
from kombu.utils.encoding import bytes_to_str, str_to_bytes
from kombu.utils.json import dumps, loads


class Channel(filesystem.Channel):
    """One folder of messages; the name sorts by time and ends with the queue."""

    def _put(self, queue: str, payload: Any, **kwargs: Any) -> None:
        folder = Path(self.data_folder_out)
        name = f"{time_ns():020d}_{uuid.uuid4()}.{queue}.msg"
        unfinished = folder / f".{name}"
        try:
            folder.mkdir(parents=True, exist_ok=True)
            unfinished.write_bytes(str_to_bytes(dumps(payload)))
            unfinished.rename(folder / name)
        except OSError as fault:
            raise ChannelError(f"Cannot write a message into {folder}: {fault}") from fault

    def _get(self, queue: str) -> Any:
        """The oldest message, taken by a rename inside one file system: one worker gets it."""
        folder, taken = Path(self.data_folder_in), Path(self.processed_folder)
        taken.mkdir(parents=True, exist_ok=True)
        for name in sorted(os.listdir(folder) if folder.is_dir() else ()):
            if name.startswith(".") or name.partition(".")[2] != f"{queue}.msg":
                continue
            try:
                (folder / name).rename(taken / name)
            except FileNotFoundError:
                continue  # another worker was faster
            payload = (taken / name).read_bytes()
            (taken / name).unlink()
            return loads(bytes_to_str(payload))
        raise filesystem.Empty

    def _size(self, queue: str) -> int:
        return super()._size(queue) if Path(self.data_folder_in).is_dir() else 0

    def _queue_bind(self, exchange: str, routing_key: str, pattern: str, queue: str) -> None:
        self.control_folder.mkdir(parents=True, exist_ok=True)
        super()._queue_bind(exchange, routing_key, pattern, queue)


class Transport(filesystem.Transport):
    Channel = Channel

    def __init__(self, client: Any, **kwargs: Any) -> None:
        super().__init__(client, **kwargs)
        # The bindings are in the control folder. What one process remembers of them would hide that
        # the folder is another one, or was emptied.
        self.state = BrokerState()
