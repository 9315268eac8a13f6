"""What takes long to make and is asked for by many: the last few of it, each made once, whichever thread comes first."""

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Generic, TypeVar

K = TypeVar("K", bound=Hashable)
V = TypeVar("V")


class MadeOnce(Generic[K, V]):
    """At most so many, by their keys; the oldest goes first."""

    def __init__(self, most: int = 8) -> None:
        self._most, self._made, self._making = most, OrderedDict[K, V](), threading.RLock()

    def of(self, key: K, make: Callable[[], V]) -> V:
        """Return what there is of a key, made now where there is nothing; whoever wants it meanwhile waits for that."""
        found = self.get(key)
        if found is None:
            with self._making:
                found = self.get(key)
                if found is None:
                    found = self.put(key, make())
        return found

    def get(self, key: K) -> V | None:
        """Return what there is of a key."""
        return self._made.get(key)

    def put(self, key: K, value: V) -> V:
        """Keep something made elsewhere, in the stead of what there was."""
        with self._making:
            self._made[key] = value
            while len(self._made) > self._most:
                self._made.popitem(last=False)
        return value

    def latest(self) -> V | None:
        """Return what was put in last."""
        return next(reversed(list(self._made.values())), None)

    def clear(self) -> None:
        """Forget everything."""
        with self._making:
            self._made.clear()
