"""Commands as one line for the login's shell (any that reads POSIX quoting), and the supervisor of one that goes on."""

from __future__ import annotations

import shlex
from collections.abc import Sequence

# Runs a command until it ends by itself or its standard input ends, whatever comes first. POSIX sh; tried with dash,
# busybox ash and bash.
#
# The command becomes the leader of a session and process group of its own where there is setsid(1), and the whole
# group is ended: children of children too, also those whose parent has gone. Without setsid its descendants are found
# in /proc and stopped until there are no new ones; what was reparented to init before is missed. First TERM, a second
# later KILL, with CONT in between, since a stopped task handles TERM only once it runs.
#
# The main shell waits for the command and reports its status (128 + N after signal N, as shells do); a watcher reads
# standard input away and sends TERM to the main shell at its end. So TERM, HUP or INT from elsewhere have the same
# effect. The command's own standard input is empty. As everywhere in a shell without job control, it starts with INT
# ignored.
_SUPERVISOR = r"""
exec 3<&0 </dev/null
asked= job= group=
family() (
  echo "$1"
  for stat in /proc/[0-9]*/stat; do
    { read -r line <"$stat"; } 2>/dev/null || continue
    line=${line##*) }
    line=${line#* }
    [ "${line%% *}" = "$1" ] || continue
    child=${stat#/proc/}
    family "${child%/stat}"
  done
)
send() {
  reached=1
  for target in $targets; do
    kill "-$1" "$target" 2>/dev/null && reached=0
  done
  return "$reached"
}
finish() {
  trap '' TERM HUP INT
  asked=yes
  [ -n "$job" ] || return
  targets=$group before=none
  while [ -z "$group" ] && [ "$targets" != "$before" ]; do
    before=$targets
    targets=$(family "$job")
    send STOP
  done
  send TERM
  send CONT
  tries=0
  while [ "$tries" -lt 10 ] && send 0; do
    { sleep 0.1 || sleep 1; } 2>/dev/null
    tries=$((tries + 1))
  done
  [ -n "$group" ] || targets="$targets $(family "$job")"
  send KILL
}
trap finish TERM HUP INT
if command -v setsid >/dev/null 2>&1; then
  setsid "$@" 3<&- &
  job=$! group=-$!
else
  "$@" 3<&- &
  job=$!
fi
[ -z "$asked" ] || finish
(
  while read -r ignored; do :; done
  kill -TERM "$$"
) <&3 >/dev/null 2>&1 &
watcher=$!
exec 3<&-
wait "$job" 2>/dev/null
status=$?
if [ -n "$asked" ]; then
  wait "$job" 2>/dev/null
  again=$?
  [ "$again" -eq 127 ] || status=$again
fi
kill "$watcher" 2>/dev/null
targets=$group
send KILL
exit "$status"
"""


def command_line(argv: Sequence[str], folder: str | None = None, *, replace: bool = False) -> bytes:
    """A command in a folder, each argument quoted so that a shell changes nothing.

    Args:
        argv: the command and its arguments.
        folder: where it runs; by default where the login begins.
        replace: have the command take the place of the login's shell, which otherwise waits for it.

    Raises:
        ValueError: there is no command, or an argument holds a NUL byte, which no program can be given.
    """
    if not argv:
        raise ValueError("there is no command to run")
    words = " ".join(_quoted(word) for word in argv)
    # "./-x" rather than "cd -- -x", since the cd of some shells takes no "--".
    place = "" if folder is None else f"cd {_quoted(f'./{folder}' if folder.startswith('-') else folder)} && "
    return f"{place}{'exec ' if replace else ''}{words}".encode("utf-8", "surrogateescape")


def supervised(argv: Sequence[str], folder: str | None = None) -> bytes:
    """The same, ended with all its children by the end of standard input."""
    if not argv:
        raise ValueError("there is no command to run")
    return command_line(["/bin/sh", "-c", _SUPERVISOR, "sh", *argv], folder, replace=True)


def _quoted(word: str) -> str:
    if "\0" in word:
        raise ValueError(f"the argument {word!r} holds a NUL byte, which no program can be given")
    return shlex.quote(word)
