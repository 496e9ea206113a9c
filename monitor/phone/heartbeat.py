"""The outward heartbeat: a ping to a dead-man service of the grower's choice, so that silence itself rings."""

from __future__ import annotations

import http.client
import urllib.error
import urllib.request

from monitor.phone.routes import Outcome, label


def beat(url: str, *, timeout_s: float = 10.0) -> Outcome:
    """GET ``url`` (http or https) once. Never raises; the sentence shows the route's label, not the URL."""
    name = label(url)
    if not url.lower().startswith(("http://", "https://")):
        return Outcome(False, False, f"Heartbeat {name}: the URL must begin with http:// or https://.")
    try:
        request = urllib.request.Request(url, headers={"User-Agent": "emberpail"})
        with urllib.request.urlopen(request, timeout=timeout_s) as answer:
            answer.read(1024)
        return Outcome(True, False, f"Heartbeat {name}: the service took it.")
    except urllib.error.HTTPError as error:
        error.close()
        return Outcome(False, error.code >= 500 or error.code == 429, f"Heartbeat {name}: refused (HTTP {error.code}).")
    except TimeoutError:
        return Outcome(False, True, f"Heartbeat {name}: no answer within {timeout_s:.0f} s.")
    except urllib.error.URLError as error:
        timed_out = isinstance(error.reason, TimeoutError)
        why = f"no answer within {timeout_s:.0f} s" if timed_out else "the service could not be reached"
        return Outcome(False, True, f"Heartbeat {name}: {why}.")
    except (OSError, http.client.HTTPException):
        return Outcome(False, True, f"Heartbeat {name}: the connection broke.")
    except ValueError:
        return Outcome(False, False, f"Heartbeat {name}: the URL cannot be read.")
