"""Who besides its owner may write a file, by the group that it belongs to."""

from __future__ import annotations

import grp
import os
import pwd
import stat
from collections.abc import Callable, Iterable
from typing import Any


def writing_group(
    state: os.stat_result,
    *,
    user_of: Callable[[int], Any] = pwd.getpwuid,
    group_of: Callable[[int], Any] = grp.getgrgid,
    users: Callable[[], Iterable[Any]] = pwd.getpwall,
) -> str:
    """The group whose members may write the file of that ``state``, by its name, else by its number; "" for none.

    The owner's own private group is none: it is called as the owner is and has nobody else in it, as Debian and Ubuntu
    make one for each user. The lookups are those of ``pwd`` and ``grp``; what they do not know is not trusted.
    """
    if not state.st_mode & stat.S_IWGRP:
        return ""
    try:
        group = group_of(state.st_gid)
    except KeyError:
        return str(state.st_gid)
    try:
        owner = user_of(state.st_uid)
    except KeyError:
        return str(group.gr_name)
    # Whose first group it is does not stand among its members.
    inside = {*group.gr_mem, *(user.pw_name for user in users() if user.pw_gid == state.st_gid)}
    private = group.gr_name == owner.pw_name and inside <= {owner.pw_name}
    return "" if private else str(group.gr_name)
