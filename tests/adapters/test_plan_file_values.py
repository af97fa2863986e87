"""Wrong values in a plan: each is found at its place, in its field, with words that help."""

from __future__ import annotations

import pytest
from plan_texts import PLAN, edited, position, problems, read

ONE = "{name: one, vcpus: 1, memory: 512 MiB}"
READER = "{pattern: '(?P<value>[0-9.]+) per minute', per: minute}"
FARES = 'command: [python3, fare_search.py, --workers, "{threads}"]'
BOOKINGS = "{name: bookings, use: bookings, threads: [1, 2], with: {reads: 70 %, fsync: true}}"

#: What is replaced, by what, and then: line, field and words of a problem that has to be found.
CASES = [
    # title, lab, guest
    ("title: How many vCPUs does the bookings database need?\n", "", 1, "title", "is missing"),
    ("title: How many vCPUs does the bookings database need?", "title:", 1, "title", "has no value; write text"),
    ("title: How many vCPUs does the bookings database need?", "title: 5", 1, "title", 'put it in quotes, "5"'),
    ("title: How many vCPUs does the bookings database need?", "title: ''", 1, "title", "one line of printable text"),
    ("title: How many vCPUs does the bookings database need?", "title: '  '", 1, "title", "one line of printable text"),
    ("title: How many vCPUs does the bookings database need?", "title: [a]", 1, "title", "a list of 1"),
    ("title: How many vCPUs does the bookings database need?", "title: {a: b}", 1, "title", "a mapping of 1 key"),
    ("title: How many vCPUs does the bookings database need?", "title: true", 1, "title", "a boolean"),
    ("title: How many vCPUs does the bookings database need?", f"title: {'x' * 201}", 1, "title", "at most 200"),
    ("title: How many vCPUs does the bookings database need?", 'title: "a\\nb"', 1, "title", "one line"),
    ("title: How many vCPUs does the bookings database need?", 'title: "\\e[31mred"', 1, "title", "\\x1b"),
    ("title: How many vCPUs does the bookings database need?", 'title: "\\u202Etxet"', 1, "title", "\\u202e"),
    ("lab: lab.yaml\n", "", 1, "lab", "is missing"),
    ("lab: lab.yaml", "lab: 7", 2, "lab", "a number"),
    ("lab: lab.yaml", "lab: ''", 2, "lab", "one line"),
    ("guest: bookings-1", "guest: bokings-1", 3, "guest", "did you mean 'bookings-1'"),
    ("guest: bookings-1", "guest: zebra", 3, "guest", "known: bookings-1, tickets-1"),
    ("guest: bookings-1", "guest: 1", 3, "guest", "in quotes"),
    ("guest: bookings-1", "guest: [bookings-1]", 3, "guest", "a list of 1"),
    ("guest: bookings-1", "gest: bookings-1", 3, "gest", "did you mean 'guest'"),
    ("guest: bookings-1", "guest: bookings-1\nnotes: x", 4, "notes", "Allowed here: title, lab, guest"),
    ("guest: bookings-1", "guest: bookings-1\n'': x", 4, "['']", "unknown key"),
    # start
    ("guest: bookings-1", "guest: bookings-1\nstart: {at: 19:00}", 4, "start.at", 'put it in quotes ("19:00")'),
    ("guest: bookings-1", "guest: bookings-1\nstart: {at: '24:00'}", 4, "start.at", 'from "00:00" to "23:59"'),
    ("guest: bookings-1", "guest: bookings-1\nstart: {at: 7 pm}", 4, "start.at", "'7 pm'; write a time of day"),
    ("guest: bookings-1", "guest: bookings-1\nstart: {at: 19}", 4, "start.at", 'in quotes, such as "19:00"'),
    ("guest: bookings-1", "guest: bookings-1\nstart: {}", 4, "start.at", "is missing"),
    # shapes
    (ONE, "{name: one, vcpus: 0, memory: 512 MiB}", 5, "shapes[0].vcpus", "from 1 to 1024"),
    (ONE, "{name: one, vcpus: -1, memory: 512 MiB}", 5, "shapes[0].vcpus", "from 1 to 1024"),
    (ONE, "{name: one, vcpus: 1025, memory: 512 MiB}", 5, "shapes[0].vcpus", "from 1 to 1024"),
    (ONE, "{name: one, vcpus: 1.5, memory: 512 MiB}", 5, "shapes[0].vcpus", "a whole number"),
    (ONE, "{name: one, vcpus: 2.0, memory: 512 MiB}", 5, "shapes[0].vcpus", "a whole number"),
    (ONE, "{name: one, vcpus: '1', memory: 512 MiB}", 5, "shapes[0].vcpus", "without quotes"),
    (ONE, "{name: one, vcpus: true, memory: 512 MiB}", 5, "shapes[0].vcpus", "a boolean"),
    (ONE, "{name: one, vcpus: two, memory: 512 MiB}", 5, "shapes[0].vcpus", "'two' (text)"),
    (ONE, "{name: one, vcpus: , memory: 512 MiB}", 5, "shapes[0].vcpus", "has no value"),
    (ONE, "{name: one, vcpus: [1], memory: 512 MiB}", 5, "shapes[0].vcpus", "a list of 1"),
    (ONE, "{name: one, memory: 512 MiB}", 5, "shapes[0].vcpus", "is missing"),
    (ONE, "{name: one, vcpus: 1}", 5, "shapes[0].memory", "a size such as '512 MiB'"),
    (ONE, "{vcpus: 1, memory: 512 MiB}", 5, "shapes[0].name", "is missing"),
    (ONE, "{name: one, vcpus: 1, memory: 512}", 5, "shapes[0].memory", "has no unit"),
    (ONE, "{name: one, vcpus: 1, memory: 0.5}", 5, "shapes[0].memory", "has no unit"),
    (ONE, "{name: one, vcpus: 1, memory: 512 MB}", 5, "shapes[0].memory", "one of B, KiB, MiB"),
    (ONE, "{name: one, vcpus: 1, memory: 512 mib}", 5, "shapes[0].memory", "not a size"),
    (ONE, "{name: one, vcpus: 1, memory: -512 MiB}", 5, "shapes[0].memory", "not a size"),
    (ONE, "{name: one, vcpus: 1, memory: 1 KiB}", 5, "shapes[0].memory", "from 1 MiB"),
    (ONE, "{name: one, vcpus: 1, memory: 0 MiB}", 5, "shapes[0].memory", "from 1 MiB"),
    (ONE, "{name: one, vcpus: 1, memory: 0.3 B}", 5, "shapes[0].memory", "whole number of bytes"),
    (ONE, "{name: one, vcpus: 1, memory: 9999 TiB}", 5, "shapes[0].memory", "out of range"),
    (ONE, f"{{name: one, vcpus: 1, memory: {'9' * 400} TiB}}", 5, "shapes[0].memory", "too long"),
    (ONE, "{name: one, vcpus: 1, memory: ''}", 5, "shapes[0].memory", "not a size"),
    (ONE, "{name: one, vcpus: 1, memory: {MiB: 512}}", 5, "shapes[0].memory", "a mapping of 1 key"),
    (ONE, "{name: one, vcpus: 1, memory: true}", 5, "shapes[0].memory", "found true"),
    (ONE, "{name: two, vcpus: 1, memory: 512 MiB}", 6, "shapes[1].name", "used twice"),
    (ONE, "{name: two, vcpus: x, memory: 512 MiB}", 6, "shapes[1].name", "used twice"),
    (ONE, "{name: two words, vcpus: 1, memory: 512 MiB}", 5, "shapes[0].name", "is not a name"),
    (ONE, "{name: ../one, vcpus: 1, memory: 512 MiB}", 5, "shapes[0].name", "is not a name"),
    (ONE, "{name: a/b, vcpus: 1, memory: 512 MiB}", 5, "shapes[0].name", "is not a name"),
    (ONE, "{name: .hidden, vcpus: 1, memory: 512 MiB}", 5, "shapes[0].name", "is not a name"),
    (ONE, "{name: größe, vcpus: 1, memory: 512 MiB}", 5, "shapes[0].name", "ASCII"),
    (ONE, f"{{name: {'a' * 41}, vcpus: 1, memory: 512 MiB}}", 5, "shapes[0].name", "up to 40"),
    (ONE, "{name: '', vcpus: 1, memory: 512 MiB}", 5, "shapes[0].name", "is not a name"),
    (ONE, "{name: 1, vcpus: 1, memory: 512 MiB}", 5, "shapes[0].name", "in quotes"),
    (ONE, "{name: one, vcpu: 1, memory: 512 MiB}", 5, "shapes[0].vcpu", "did you mean 'vcpus'"),
    (ONE, "{name: one, vCPUs: 1, memory: 512 MiB}", 5, "shapes[0].vCPUs", "did you mean 'vcpus'"),
    (ONE, "{name: one, vcpus: 1, memory: 512 MiB, disk: 1 GiB}", 5, "shapes[0].disk", "Allowed here: name, vcpus"),
    (ONE, "{name: one, vcpus: 1, memory: 512 MiB, quota: 50}", 5, "shapes[0].quota", "has no unit"),
    (ONE, "{name: one, vcpus: 1, memory: 512 MiB, quota: 0 %}", 5, "shapes[0].quota", "above 0 %"),
    (ONE, "{name: one, vcpus: 1, memory: 512 MiB, quota: 50 percent}", 5, "shapes[0].quota", "not a percentage"),
    (ONE, "{name: one, vcpus: 1, memory: 512 MiB, quota: 50 %}", 5, "shapes[0].quota", "cannot set quota"),
    (ONE, "{name: one, vcpus: 1, memory: 512 MiB, pin: [0]}", 5, "shapes[0].pin", "cannot set pin"),
    (ONE, "{name: one, vcpus: 1, memory: 512 MiB, pin: []}", 5, "shapes[0].pin", "at least 1"),
    (ONE, "{name: one, vcpus: 1, memory: 512 MiB, pin: [-1]}", 5, "shapes[0].pin[0]", "from 0"),
    (ONE, "{name: one, vcpus: 1, memory: 512 MiB, pin: [0, 0]}", 5, "shapes[0].pin[1]", "listed twice"),
    (ONE, "{name: one, vcpus: 1, memory: 512 MiB, pin: 0-3}", 5, "shapes[0].pin", "write a list"),
    (ONE, "{name: one, vcpus: 8, memory: 512 MiB}", 5, "shapes[0].vcpus", "more than the 4"),
    (ONE, "{name: one, vcpus: 1, memory: 16 GiB}", 5, "shapes[0].memory", "more than the 8 GiB"),
    (f"  - {ONE}\n", "  - one\n", 5, "shapes[0]", "a mapping with keys such as name, vcpus"),
    (f"  - {ONE}\n", "  -\n", 5, "shapes[0]", "has no value"),
    (f"  - {ONE}\n", "  - [one, 1]\n", 5, "shapes[0]", "a list of 2"),
    ("topology: {sockets: 1, cores: 2}", "topology: {cores: 3}", 9, "shapes[1].topology", "1 x 3 x 1 = 3"),
    ("topology: {sockets: 1, cores: 2}", "topology: {cores: 0}", 9, "shapes[1].topology.cores", "from 1"),
    ("topology: {sockets: 1, cores: 2}", "topology: {core: 2}", 9, "shapes[1].topology.core", "did you mean 'cores'"),
    ("topology: {sockets: 1, cores: 2}", "topology: 1x2x1", 9, "shapes[1].topology", "a mapping with keys"),
    # workloads
    (BOOKINGS, "{name: bookings, use: bokings, threads: [1, 2]}", 11, "workloads[0].use", "did you mean 'bookings'"),
    (BOOKINGS, "{name: bookings, use: 1, threads: [1, 2]}", 11, "workloads[0].use", "write bookings"),
    (BOOKINGS, "{name: bookings, use: [], threads: [1, 2]}", 11, "workloads[0].use", "write bookings"),
    (BOOKINGS, "{name: bookings, threads: [1, 2]}", 11, "workloads[0]", "either use or command, not neither"),
    (BOOKINGS, "{name: bookings, use: bookings}", 11, "workloads[0].threads", "is missing"),
    (BOOKINGS, "{name: bookings, use: bookings, threads: []}", 11, "workloads[0].threads", "is empty"),
    (BOOKINGS, "{name: bookings, use: bookings, threads: 2}", 11, "workloads[0].threads", "such as [2]"),
    (BOOKINGS, "{name: bookings, use: bookings, threads: '1,2'}", 11, "workloads[0].threads", "write a list"),
    (BOOKINGS, "{name: bookings, use: bookings, threads: {1: 2}}", 11, "workloads[0].threads", "not text"),
    (BOOKINGS, "{name: bookings, use: bookings, threads: [0]}", 11, "workloads[0].threads[0]", "from 1 to 4096"),
    (BOOKINGS, "{name: bookings, use: bookings, threads: [1, 9999]}", 11, "workloads[0].threads[1]", "to 4096"),
    (BOOKINGS, "{name: bookings, use: bookings, threads: [1, 1]}", 11, "workloads[0].threads[1]", "listed twice"),
    (BOOKINGS, "{name: bookings, use: bookings, threads: [one]}", 11, "workloads[0].threads[0]", "'one' (text)"),
    (BOOKINGS, "{name: bookings, use: bookings, threads: [[1]]}", 11, "workloads[0].threads[0]", "a list of 1"),
    (BOOKINGS, "{name: bookings, use: bookings, threads: [null]}", 11, "workloads[0].threads[0]", "no value"),
    ("{reads: 70 %, fsync: true}", "{read: 70 %}", 11, "workloads[0].with.read", "did you mean 'reads'"),
    ("{reads: 70 %, fsync: true}", "{reads: 170 %}", 11, "workloads[0].with.reads", "from 0 % to 100 %"),
    ("{reads: 70 %, fsync: true}", "{reads: 0.7}", 11, "workloads[0].with.reads", "has no unit"),
    ("{reads: 70 %, fsync: true}", "{fsync: 1}", 11, "workloads[0].with.fsync", "true or false"),
    ("{reads: 70 %, fsync: true}", "{bookings: 5}", 11, "workloads[0].with.bookings", "from 100 to 50000000"),
    ("{reads: 70 %, fsync: true}", "[reads]", 11, "workloads[0].with", "a list of 1"),
    ("{reads: 70 %, fsync: true}", "{seed: 99999999999999999999}", 11, "workloads[0].with.seed", "too large a number"),
    ("  - name: fares", "  - name: bookings", 12, "workloads[1].name", "used twice"),
    ("quiet-after: 20 s", "quiet-after: 20", 16, "workloads[1].quiet-after", "has no unit"),
    ("quiet-after: 20 s", "quiet-after: 0 s", 16, "workloads[1].quiet-after", "from 1 s"),
    ("quiet-after: 20 s", "quiet_after: 20 s", 16, "workloads[1].quiet_after", "did you mean 'quiet-after'"),
    ("quiet-after: 20 s", "use: bookings", 12, "workloads[1]", "not both"),
    ("quiet-after: 20 s", "with: {reads: 5 %}", 16, "workloads[1].with", "into its arguments"),
    (FARES, "use: bookings", 15, "workloads[1].reader", "brings its own"),
    (FARES, "command: []", 14, "workloads[1].command", "is empty"),
    (FARES, "command: python3 fare_search.py", 14, "workloads[1].command", "write a list"),
    (FARES, "command: ['']", 14, "workloads[1].command[0]", "the program's name is empty"),
    (FARES, "command: [python3, 5]", 14, "workloads[1].command[1]", 'put it in quotes, "5"'),
    (FARES, "command: [python3, {a: b}]", 14, "workloads[1].command[1]", "a mapping of 1 key"),
    (FARES, f"{FARES}\n    prepare: []", 15, "workloads[1].prepare", "is empty"),
    (FARES, f"{FARES}\n    files: [/etc/passwd]", 15, "workloads[1].files[0]", "out of the plan's folder"),
    (FARES, f"{FARES}\n    files: [../secret]", 15, "workloads[1].files[0]", "out of the plan's folder"),
    (FARES, f"{FARES}\n    files: [a/../../b]", 15, "workloads[1].files[0]", "out of the plan's folder"),
    (FARES, f"{FARES}\n    files: [~/x]", 15, "workloads[1].files[0]", "out of the plan's folder"),
    (FARES, f"{FARES}\n    files: ['C:\\x']", 15, "workloads[1].files[0]", "the Windows way"),
    (FARES, f"{FARES}\n    files: ['']", 15, "workloads[1].files[0]", "not the path of a file"),
    (FARES, f"{FARES}\n    files: [a//b]", 15, "workloads[1].files[0]", "not the path of a file"),
    (FARES, f"{FARES}\n    files: [a, a]", 15, "workloads[1].files[1]", "listed twice"),
    (FARES, f"{FARES}\n    files: load.py", 15, "workloads[1].files", "write a list"),
    (f"    reader: {READER}\n", "", 12, "workloads[1]", "needs a reader"),
    (READER, "{}", 15, "workloads[1].reader", "not neither"),
    (READER, "{pattern: '(?P<value>x)', json: {value: v}}", 15, "workloads[1].reader", "not both"),
    (READER, "{pattern: '('}", 15, "workloads[1].reader.pattern", "not a regular expression"),
    (READER, "{pattern: '(?P<valu>x)'}", 15, "workloads[1].reader.pattern", "no group named value"),
    (READER, '{pattern: "(?\\u202E"}', 15, "workloads[1].reader.pattern", "unknown extension ?\\u202e"),
    (READER, "{pattern: 5}", 15, "workloads[1].reader.pattern", "in quotes"),
    (READER, f"{{pattern: '{'(' * 900}'}}", 15, "workloads[1].reader.pattern", "not a regular expression"),
    (READER, f"{{pattern: '{'x' * 1001}'}}", 15, "workloads[1].reader.pattern", "at most 1000"),
    (READER, "{pattern: 'x{99999999999}'}", 15, "workloads[1].reader.pattern", "not a regular expression"),
    (READER, "{json: {}}", 15, "workloads[1].reader.json.value", "is missing"),
    (READER, "{json: {value: ''}}", 15, "workloads[1].reader.json.value", "is empty"),
    (READER, "{json: {value: v, tme: t}}", 15, "workloads[1].reader.json.tme", "did you mean 'time'"),
    (READER, "{json: {value: v}, figure: rat}", 15, "workloads[1].reader.figure", "did you mean 'rate'"),
    (READER, "{json: {value: v}, per: day}", 15, "workloads[1].reader.per", "second, minute, hour"),
    (READER, "{json: {value: v}, figure: count, per: hour}", 15, "workloads[1].reader.per", "no period"),
    # design
    ("blocks: 4", "blocks: 0", 18, "design.blocks", "from 1 to 1000"),
    ("blocks: 4", "blocks: 1001", 18, "design.blocks", "from 1 to 1000"),
    ("blocks: 4", "blocks: 4.0", 18, "design.blocks", "a whole number"),
    ("blocks: 4", "blocks: many", 18, "design.blocks", "'many' (text)"),
    ("blocks: 4", "blocks: '4'", 18, "design.blocks", "'4' (text)"),
    ("blocks: 4", "blocks: [3, 12]", 18, "design.blocks", "a list of 2; write a whole number from 1 to 1000"),
    ("blocks: 4", "blocks:", 18, "design.blocks", "write a whole number from 1 to 1000, or limits"),
    ("blocks: 4", "blocks: {}", 18, "design.blocks.until", "is missing; write decided (The run ends once"),
    ("blocks: 4", "blocks: {until: bored}", 18, "design.blocks.until", "write decided"),
    ("blocks: 4", "blocks: {until: decided, atleast: 3}", 18, "design.blocks.atleast", "did you mean 'at-least'"),
    ("blocks: 4", "blocks: {until: decided, at-least: 1}", 18, "design.blocks.at-least", "from 2 to 1000"),
    ("blocks: 4", "blocks: {until: decided, at-most: 12.5}", 18, "design.blocks.at-most", "a whole number"),
    ("blocks: 4", "blocks: {until: decided, at-least: 6, at-most: 4}", 18, "design.blocks.at-least", "at-most (4)"),
    ("blocks: 4", "blocks: {until: decided, at-least: 60}", 18, "design.blocks.at-least", "(12, which it is unless"),
    ("confidence: 95 %", "wait: 0.05", 27, "decide.wait", "has no unit"),
    ("confidence: 95 %", "idle: 0 %", 27, "decide.idle", "above 0 %"),
    ("confidence: 95 %", "price: 3", 27, "decide.price", "keys such as vcpu, memory, unit"),
    ("confidence: 95 %", "price: {}", 27, "decide.price", "both 0"),
    ("confidence: 95 %", "price: {vcpu: -1}", 27, "decide.price.vcpu", "a number from 0"),
    ("confidence: 95 %", "price: {vcpu: .inf}", 27, "decide.price.vcpu", "a number"),
    ("confidence: 95 %", "price: {vcpu: '0.02'}", 27, "decide.price.vcpu", "such as 0.021 without quotes"),
    ("confidence: 95 %", "price: {vcpu: true}", 27, "decide.price.vcpu", "such as 0.021"),
    ("confidence: 95 %", "price: {vcpu: 1, unit: ''}", 27, "decide.price.unit", "one line of printable text"),
    ("confidence: 95 %", "price: {vcpu: 1, ram: 2}", 27, "decide.price.ram", "Allowed here: vcpu, memory, unit"),
    ("order: random", "order: randm", 19, "design.order", "did you mean 'random'"),
    ("order: random", "order: Random", 19, "design.order", "did you mean 'random'"),
    ("order: random", "order: as_written", 19, "design.order", "did you mean 'as-written'"),
    ("seed: 7", "seed: -7", 20, "design.seed", "from 0"),
    ("seed: 7", "seed: 9223372036854775808", 20, "design.seed", "below 2^63"),
    ("seed: 7", "seed: seven", 20, "design.seed", "'seven' (text)"),
    ("seed: 7", f"seed: {'1' * 5001}", 20, "design.seed", "5001 characters"),
    ("{shape: one, threads: 4}", "{}", 22, "design.except[0]", "an empty filter"),
    ("{shape: one, threads: 4}", "{shape: onne}", 22, "design.except[0].shape", "did you mean 'one'"),
    ("{shape: one, threads: 4}", "{workload: books}", 22, "design.except[0].workload", "did you mean 'bookings'"),
    ("{shape: one, threads: 4}", "{threads: 3}", 22, "design.except[0].threads", "there are 1, 2, 4"),
    ("{shape: one, threads: 4}", "{workload: fares, threads: 1}", 22, "design.except[0].threads", "of workload fares"),
    ("{shape: one, threads: 4}", "{threads: '4'}", 22, "design.except[0].threads", "without quotes"),
    ("{shape: one, threads: 4}", "{vcpus: 4}", 22, "design.except[0].vcpus", "Allowed here: shape, workload, threads"),
    ("[{shape: one, threads: 4}]", "{shape: one}", 22, "design.except", "write a list"),
    ("[{shape: one, threads: 4}]", "[{shape: one}, {shape: two}]", 18, "design", "leave no cell"),
    ("  blocks: 4\n  order: random\n  seed: 7\n", "  block: 4\n", 18, "design.block", "did you mean 'blocks'"),
    # measure
    ("every: 1 s", "every: 1", 24, "measure.every", "has no unit"),
    ("every: 1 s", "every: 10 ms", 24, "measure.every", "from 100 ms to 1 min"),
    ("every: 1 s", "every: 2 min", 24, "measure.every", "from 100 ms to 1 min"),
    ("every: 1 s", "every: 1 second", 24, "measure.every", "not a duration"),
    ("every: 1 s", "every: -1 s", 24, "measure.every", "not a duration"),
    ("every: 1 s", "every: 1 s 1 min", 24, "measure.every", "from large units to small"),
    ("every: 1 s", "every: 30 s", 26, "measure.steady.at-least", "fewer than 5 samples"),
    (
        "{at-least: 10 s, at-most: 5 min}",
        "{at-least: 10 min}",
        25,
        "measure.warm-up.at-least",
        "longer than at-most (5 min)",
    ),
    ("{at-least: 10 s, at-most: 5 min}", "{at-most: 5 s}", 25, "measure.warm-up.at-least", "longer than at-most (5 s)"),
    ("{at-least: 10 s, at-most: 5 min}", "{at-most: 90 d}", 25, "measure.warm-up.at-most", "up to 30 d"),
    ("{at-least: 10 s, at-most: 5 min}", "5 min", 25, "measure.warm-up", "a mapping with keys such as at-least"),
    ("{at-least: 10 s, at-most: 5 min}", "", 25, "measure.warm-up", "or leave the key out"),
    ("until-within: 2 %", "until-within: 0 %", 26, "measure.steady.until-within", "above 0 % and below 100 %"),
    ("until-within: 2 %", "until-within: 2", 26, "measure.steady.until-within", "has no unit"),
    ("at-least: 60 s", "at-least: 0 s", 26, "measure.steady.at-least", "above 0 s"),
    ("at-least: 60 s", "at-least: 1 h", 26, "measure.steady.at-least", "longer than at-most (10 min)"),
    # decide
    ("margin: 3 %", "margin: 100 %", 27, "decide.margin", "below 100 %"),
    ("margin: 3 %", "margin: 0.03", 27, "decide.margin", "has no unit"),
    ("margin: 3 %", "margin: 3%%", 27, "decide.margin", "not a percentage"),
    ("confidence: 95 %", "confidence: 10 %", 27, "decide.confidence", "from 50 %"),
    ("confidence: 95 %", "confidence: 95", 27, "decide.confidence", "has no unit"),
    ("confidence: 95 %", "confidance: 95 %", 27, "decide.confidance", "did you mean 'confidence'"),
]


def test_the_plan_that_the_cases_start_from_is_good() -> None:
    loaded = read()
    assert [shape.name for shape in loaded.plan.shapes] == ["one", "two"]
    assert loaded.plan_bytes == PLAN.encode()
    assert loaded.driver == "model"
    assert getattr(loaded.settings, "boot", None) == 20.0


@pytest.mark.parametrize(
    ("old", "new", "line", "field", "words"), CASES, ids=[f"{c[3]}-{i}" for i, c in enumerate(CASES)]
)
def test_a_wrong_value_is_found_at_its_place(old: str, new: str, line: int, field: str, words: str) -> None:
    plan = edited(PLAN, old, new)
    found = [p for p in problems(plan) if p.field == field]
    assert any(words in p.message and position(p)[:2] == ("plan.yaml", line) for p in found), problems(plan)


def test_one_wrong_value_gives_one_problem() -> None:
    """What follows from a problem is not reported beside it: of the cases, few have a second one."""
    alone = [len(problems(edited(PLAN, old, new))) == 1 for old, new, *_ in CASES]
    assert sum(alone) / len(alone) > 0.85


def test_the_column_is_that_of_the_value_or_of_the_unknown_key() -> None:
    plan = edited(PLAN, ONE, "{name: one, vcpus: 0, memory: 512 MiB, disk: 1}")
    columns = {p.field: position(p)[2] for p in problems(plan)}
    line = plan.splitlines()[4]
    assert columns == {"shapes[0].vcpus": line.index("0,") + 1, "shapes[0].disk": line.index("disk") + 1}


def test_all_problems_of_a_file_come_at_once_in_the_order_of_the_file() -> None:
    plan = PLAN
    for old, new in (
        ("vcpus: 1,", "vcpus: 0,"),
        ("2]", "two]"),
        ("order: random", "order: none"),
        ("margin: 3 %", "margin: 3"),
    ):
        plan = plan.replace(old, new, 1)
    found = problems(plan)
    assert [p.field for p in found] == ["shapes[0].vcpus", "workloads[0].threads[1]", "design.order", "decide.margin"]
    assert [position(p)[1] for p in found] == sorted(position(p)[1] for p in found)
