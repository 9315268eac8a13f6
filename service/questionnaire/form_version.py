"""Which version of the questions this is: answers that were checked under it need no second check under the same one."""

import hashlib
import json
from functools import cache
from pathlib import Path

from model.domain import vocabulary
from service.questionnaire.questions import Questionnaire


@cache
def version() -> str:
    """Return a short digest of the questions, their rules and the code that reads them: the same questions, the same word."""
    found = hashlib.sha256(json.dumps(Questionnaire.model_json_schema(), sort_keys=True).encode())
    for file in (Path(vocabulary.__file__), *sorted(Path(__file__).parent.glob("*.py"))):
        found.update(file.name.encode() + b"\0" + file.read_bytes())
    return found.hexdigest()[:12]
