# Keeps leases in a folder of this machine, for whoever started it: one command a line on standard input, answers on
# standard output, each answer ended by a line "end". POSIX sh with -ef, head -c and stat -c; tried with dash, bash and
# busybox. The one argument is the folder.
#
# A lease is a file NAME with one line of JSON. It is written whole under a name of its own, .NAME.TOKEN.NUMBER, and then
# linked to NAME, which the kernel does for one of any number that try. Both names stay, and mean one file: a heartbeat
# goes to the own name, so it can never touch a lease that somebody else has taken meanwhile, and whoever renames the own
# name has the lease in hand, or breaks it, alone.
#
# At the end of input every lease that was not given back is dated 1970: its holder has ended, and everybody can see it.
trap '' PIPE HUP
umask 022
held=
swept=

say() {
  printf '%s\n' "$*"
}

# The folder belongs to nobody: everyone may add to it, and take away what is his own.
enter() {
  if ! [ -d "$1" ]; then
    parent=${1%/*}
    mkdir -p "${parent:-/}" 2>/dev/null
    (umask 0; mkdir "$1" && chmod 1777 "$1") 2>/dev/null
  fi
  cd "$1" 2>/dev/null && [ -w . ] && [ -x . ]
}

name_of() {
  name=${1#.}
  name=${name%.*}
  name=${name%.*}
}

look() {
  say "now $(date +%s)"
  for path in host host-shared-* guest-*; do
    case $path in *[!A-Za-z0-9._%-]*) continue ;; esac
    [ -f "$path" ] && ! [ -L "$path" ] || continue
    beaten=$(stat -c %Y "$path" 2>/dev/null) || continue
    say "lease $path $beaten $(head -c 4096 "$path" 2>/dev/null | head -n 1)"
  done
}

take() { # NAME TOKEN JSON
  own=.$1.$2.0
  if [ -z "$swept" ]; then # of what holders that were killed between two steps have left, long ago
    swept=yes
    find . -type f -name '.*' -links 1 -mtime +1 -exec rm -f {} \; 2>/dev/null
  fi
  if ! (printf '%s\n' "$3" >"$own") 2>/dev/null || ! [ -s "$own" ]; then
    rm -f "$own"
    say "failed nothing can be written there"
    return
  fi
  problem=$(ln "$own" "$1" 2>&1)
  if [ "$1" -ef "$own" ]; then
    held="$held $own"
    say taken
    return
  fi
  rm -f "$own"
  if [ -e "$1" ] || [ -L "$1" ]; then
    say there
  else
    say "failed $(printf '%s' "${problem:-no link was made}" | tr '\n' ' ')"
  fi
}

again() { # NAME TOKEN NUMBER: go on with a lease that was taken on another channel
  own=.$1.$2.$3
  for old in ."$1"."$2".[0-9]*; do
    [ "$old" = "$own" ] || mv "$old" "$own" 2>/dev/null
  done
  if [ "$1" -ef "$own" ]; then
    touch -c "$own"
    held="$held $own"
    say held
  else
    say lost
  fi
}

beat() {
  for own in $held; do
    name_of "$own"
    touch -c "$own" 2>/dev/null
    if [ "$name" -ef "$own" ]; then say "held $name"; else say "lost $name"; fi
  done
}

drop() { # NAME
  kept=
  left=
  for own in $held; do
    name_of "$own"
    if [ "$name" != "$1" ]; then
      kept="$kept $own"
      continue
    fi
    claim=${own%.*}.dropped
    mv "$own" "$claim" 2>/dev/null || continue # somebody has broken it
    [ "$name" -ef "$claim" ] && rm -f "$name" 2>/dev/null
    if [ "$name" -ef "$claim" ]; then
      mv "$claim" "$own" 2>/dev/null
      kept="$kept $own"
      left=yes
    else
      rm -f "$claim" 2>/dev/null
    fi
  done
  held=$kept
  if [ -n "$left" ]; then say left; else say dropped; fi
}

# Whether a name still is that of the token; any file is that of no token.
says() { # NAME TOKEN
  if [ -n "$2" ]; then
    head -c 4096 "$1" 2>/dev/null | grep -qaF "\"$2\""
  else
    [ -f "$1" ]
  fi
}

break_it() { # NAME TOKEN, which is empty for a file that is no lease of ours
  claim=.$1.$2.broken
  mine=
  for own in ."$1"."$2".[0-9]*; do
    [ -f "$own" ] && mv "$own" "$claim" 2>/dev/null && mine=yes
  done
  # Without an own name somebody gives it back or breaks it this moment: not to take the next one's, that is waited for.
  # What stands after that was left by one who died at it.
  [ -z "$mine" ] && [ -n "$2" ] && says "$1" "$2" && sleep 1
  if { [ -n "$mine" ] && [ "$1" -ef "$claim" ]; } || says "$1" "$2"; then
    rm -f "$1" 2>/dev/null
    if [ -e "$1" ]; then say "refused $(stat -c %U "$1" 2>/dev/null)"; else say broken; fi
  else
    say changed
  fi
  rm -f "$claim" ".$1.$2.dropped" 2>/dev/null
}

if ! enter "$1"; then
  say "unusable $(ls -ld "$1" 2>&1 | tr '\n' ' ')"
  exit 1
fi
say ready
while read -r verb name token text; do
  case $verb in
    look) look ;;
    take) take "$name" "$token" "$text" ;;
    again) again "$name" "$token" "$text" ;;
    beat) beat ;;
    drop) drop "$name" ;;
    break) break_it "$name" "$token" ;;
  esac
  say end
done
for own in $held; do
  touch -c -t 197001020000 "$own" 2>/dev/null
done
