"""Mail: a named function a mail (`mails`), the outbox they are queued in, and the senders that empty it.

A use case calls `mails` in its own transaction; `sending.send_waiting` does the rest, whoever calls it and however often.
"""
