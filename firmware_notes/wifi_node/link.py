"""A connection to the broker that is made again whenever it breaks, after waits that grow."""

FIRST_WAIT_S = 1


class Link:
    """``client`` is the connection, None while there is none."""

    def __init__(self, ticks_s, longest_wait_s):
        self.client = None
        self._ticks_s, self._longest_wait_s = ticks_s, longest_wait_s
        self._try_at, self._wait_s = ticks_s(), FIRST_WAIT_S

    def up(self, make):
        """Whether there is a connection now; where it is time to try, ``make(link)`` sets ``client``, or raises
        OSError."""
        if self.client is None and self._ticks_s() >= self._try_at:
            try:
                make(self)
                self._wait_s = FIRST_WAIT_S
            except OSError:
                self.drop()
        return self.client is not None

    def drop(self):
        """It broke: without a goodbye, so that the last will is told."""
        if self.client is not None:
            self.client.close(False)
            self.client = None
        self._try_at = self._ticks_s() + self._wait_s
        self._wait_s = min(2 * self._wait_s, self._longest_wait_s)
