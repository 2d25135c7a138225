"""Exit 0 while the contactd in this container lives, 1 when it does not.

``CONTACTD_HEALTH_URL`` names another address than the default.
"""

import os
import sys
import urllib.error
import urllib.request

URL = os.environ.get("CONTACTD_HEALTH_URL", "http://127.0.0.1:8010/health/live")

try:
    with urllib.request.urlopen(URL, timeout=4) as answer:  # noqa: S310 - the user's own address
        sys.exit(answer.status != 200)
except (OSError, urllib.error.URLError) as error:
    print(f"{URL}: {error}", file=sys.stderr)
    sys.exit(1)
