"""The file of what waited on a tablet, as its script writes it: by the standard library alone, as the format is described."""

import hashlib
import hmac
import json
from typing import Any


def signed(file_key: str, tablet: str, saved_at: str, items: list[dict[str, Any]]) -> bytes:
    """Return the file; its HMAC (RFC 2104, SHA-256) is of the four other values, a line each."""
    file = {"format": "waiting sheets, 1", "tablet": tablet, "saved_at": saved_at, "content": json.dumps(items)}
    mac = hmac.new(file_key.encode(), "\n".join(file.values()).encode(), hashlib.sha256)
    return json.dumps(file | {"hmac": mac.hexdigest()}).encode()
