"""Busy loops on another machine: a program that starts them, vouches for them, and leaves none behind.

POSIX sh; tried with dash, bash and busybox ash. It needs ``taskset`` where the loops are pinned, and Linux's ``/proc``.

Each loop is the leader of a session of its own where there is setsid(1): a kernel that groups processes by session
(``sched_autogroup``) then weighs each like any other program, whereas loops that share a session share one weight.

The program ends with its standard input, so with the connection and with whoever holds it, and ends the loops first. A
loop whose parent is no longer the program, because it was killed outright, ends by itself within a fraction of a
second.
"""

from __future__ import annotations

from collections.abc import Sequence

#: Prints ``loop PID`` for each loop once it runs, and ``made COUNT apart`` (or ``together``: no session of its own).
#: Answers each line of input with ``running COUNT``. Arguments: how many, then ``CPU:MASK`` for each CPU.
_PROGRAM = r"""
count=$1
shift
loop='
echo "loop $$"
exec >/dev/null 2>&1
while read -r stat </proc/$$/stat; do
  stat=${stat##*) }
  stat=${stat#* }
  [ "${stat%% *}" = "$1" ] || exit
  turns=0
  while [ "$turns" -lt 20000 ]; do turns=$((turns + 1)); done
done'
if [ "$#" -gt 0 ] && ! command -v taskset >/dev/null 2>&1; then
  echo "there is no taskset to pin loops with (it comes with util-linux); install it, or leave pin out" >&2
  exit 3
fi
for cpu in "$@"; do
  taskset "${cpu#*:}" true >/dev/null 2>&1 && continue
  echo "no loop can run on CPU ${cpu%%:*}: the machine has no such CPU, or this login may not use it" >&2
  exit 3
done
running() {
  { read -r stat <"/proc/$1/stat"; } 2>/dev/null || return 1
  stat=${stat##*) }
  state=${stat%% *}
  stat=${stat#* }
  [ "${stat%% *}" = "$$" ] && [ "$state" != Z ] && [ "$state" != X ]
}
loops=
finish() {
  trap '' TERM HUP INT
  trap - EXIT
  for pid in $loops; do running "$pid" && kill -KILL "$pid"; done
  wait 2>/dev/null
}
trap finish EXIT
trap 'exit 1' TERM HUP INT
apart=
command -v setsid >/dev/null 2>&1 && apart=setsid
made=0
while [ "$made" -lt "$count" ]; do
  pinned=
  if [ "$#" -gt 0 ]; then
    cpu=$1
    shift
    set -- "$@" "$cpu"
    pinned="taskset ${cpu#*:}"
  fi
  $apart $pinned /bin/sh -c "$loop" loop "$$" </dev/null &
  loops="$loops $!"
  made=$((made + 1))
done
if [ -n "$apart" ]; then echo "made $made apart"; else echo "made $made together"; fi
while read -r ask; do
  alive=0
  for pid in $loops; do running "$pid" && alive=$((alive + 1)); done
  echo "running $alive"
done
"""


def busy_loops(count: int, cpus: Sequence[int] = ()) -> tuple[str, ...]:
    """The argument vector that starts them; it reads its standard input itself.

    Args:
        count: how many.
        cpus: CPUs to pin them to, dealt out in turn; none: they run wherever there is room.
    """
    # A mask rather than a list of CPUs: every taskset reads it, that of small systems included.
    return ("/bin/sh", "-c", _PROGRAM, "busy-loops", str(count), *(f"{cpu}:{1 << cpu:x}" for cpu in cpus))
