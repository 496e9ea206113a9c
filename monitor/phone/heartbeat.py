"""The outward heartbeat: a ping to a dead-man service of the grower's choice, so that silence itself rings."""

from __future__ import annotations

import http.client
import urllib.error
import urllib.request

from monitor.phone.routes import Outcome, scheme_of
from monitor.words import tr


def beat(url: str, *, timeout_s: float = 10.0) -> Outcome:
    """GET ``url`` (http or https) once. Never raises; the sentence shows the scheme, nothing else of the URL."""
    name = scheme_of(url)
    if not url.lower().startswith(("http://", "https://")):
        return Outcome(False, False, tr("Heartbeat {name}: the URL must begin with http:// or https://.", name=name))
    try:
        request = urllib.request.Request(url, headers={"User-Agent": "emberpail"})
        with urllib.request.urlopen(request, timeout=timeout_s) as answer:  # nosec B310 # http(s) only: see above
            answer.read(1024)
        return Outcome(True, False, tr("Heartbeat {name}: the service took it.", name=name))
    except urllib.error.HTTPError as error:
        error.close()
        return Outcome(
            False,
            error.code >= 500 or error.code == 429,
            tr("Heartbeat {name}: refused (HTTP {code}).", name=name, code=error.code),
        )
    except TimeoutError:
        return Outcome(False, True, tr("Heartbeat {name}: no answer within {s:.0f} s.", name=name, s=timeout_s))
    except urllib.error.URLError as error:
        timed_out = isinstance(error.reason, TimeoutError)
        if timed_out:
            return Outcome(False, True, tr("Heartbeat {name}: no answer within {s:.0f} s.", name=name, s=timeout_s))
        return Outcome(False, True, tr("Heartbeat {name}: the service could not be reached.", name=name))
    except (OSError, http.client.HTTPException):
        return Outcome(False, True, tr("Heartbeat {name}: the connection broke.", name=name))
    except ValueError:
        return Outcome(False, False, tr("Heartbeat {name}: the URL cannot be read.", name=name))
