"""placeholder until the branch `pictures` brings it"""

import hashlib


def short_code(payload: bytes) -> str:
    return hashlib.sha256(payload).hexdigest()[:12].upper()
