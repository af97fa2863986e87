# The sampler on a machine without Python: POSIX sh and grep, tried with dash, busybox ash and bash. Nothing is written.
# Arguments: the prefix of /proc and /sys, then schedstat files of threads. It answers "s" and "c" on standard input with
# the same text as the Python program, and ends with its input. Its clock is /proc/uptime, in steps of 10 ms.
export LC_ALL=C
root=$1
shift
[ -r /proc/uptime ] || { echo "there is no /proc/uptime to read the clock from" >&2; exit 1; }
set -- "$@" "$root/proc/stat" "$root/proc/loadavg" "$root/proc/pressure/cpu"
for file in "$root"/sys/class/thermal/thermal_zone[0-9]*/temp \
  "$root"/sys/devices/system/cpu/cpu[0-9]*/cpufreq/scaling_cur_freq \
  "$root"/sys/devices/system/cpu/cpu[0-9]*/thermal_throttle/core_throttle_count; do
  [ -r "$file" ] && set -- "$@" "$file"
done
stamp() {
  read -r up idle </proc/uptime
  echo "$1 ${up%.*}${up#*.}0000000"
}
echo "trialbed-sampler 1 shell $(getconf CLK_TCK 2>/dev/null || echo -) 10000000"
while read -r request; do
  stamp T
  # One grep reads every file: of /proc/stat the cpu lines only, of /proc/pressure/cpu the line "some". With more than one
  # file it puts the path before each line.
  [ "$request" = s ] && grep -s -e '^cpu' -e '^some' -e '^-*[0-9]' /dev/null "$@"
  stamp E
done
