"""The line protocol against a reading of its grammar by another program.

The ABNF below is that of the project's line-protocol page (RFC 5234 with RFC 7405). This file derives random lines from
it, spoils some, decides by matching which are lines, and compares with what `examples/lines` says. The check is
Python's own `binascii.crc_hqx` with 0xFFFF: CRC-16/IBM-3740, whose published check value is 0x29B1.

    lines.py PROGRAM VECTORS [SEED] [COUNT]
"""

import binascii
import random
import re
import subprocess
import sys

GRAMMAR = r"""
from-node = "@" addr ":" seq SP up-body
to-node   = "#" addr ":" seq SP down-body
addr      = 2HEX
seq       = 4HEX
HEX       = DIGIT / %x41-46
DIGIT     = %x30-39
SP        = %x20
ALPHA     = %x41-5A / %x61-7A
UPPER     = %x41-5A
up-body   = hello / chan / chan-end / reading / packed / state / event / beat / ack / log
down-body = %s"HI clp=" 1*DIGIT / go / permit / %s"CUT" SP ( chn / %s"ALL" ) *( SP word ) / %s"ARM" SP chn / on / throw / rate / %s"PING"
go        = %s"GO clp=" 1*DIGIT SP %s"boot=" 4HEX SP %s"host=" 4HEX
permit    = %s"PM" SP 4HEX SP num
on        = %s"ON" SP chn SP 4HEX
throw     = %s"THROW" SP chn SP ( "N" / "R" ) SP num
rate      = %s"RATE" SP chn SP num
hello     = %s"HI clp=" 1*DIGIT "-" 1*DIGIT 1*( SP key "=" word )
chan      = %s"CH" SP chn SP kind SP unit SP scale SP num SP label
chan-end  = %s"CE" SP num SP 4HEX
reading   = %s"RD" SP num SP chn 1*( SP value )
packed    = %s"RP" SP 1*8HEX SP 2HEX SP 1*( 3HEX )
state     = %s"ST" SP num 1*( SP chn "=" code )
event     = %s"EV" SP num SP chn SP 1*UPPER *( SP word )
beat      = %s"HB" SP num SP 4HEX SP num SP num SP num
ack       = %s"AK" SP 4HEX SP ( %s"OK" / %s"DONE" / %s"TOK" SP 4HEX SP num / %s"NO" SP word ) *( SP word )
log       = %s"LG" 1*( SP word )
chn       = 1*3DIGIT
num       = 1*10DIGIT
value     = [ "-" ] 1*6DIGIT / "-" / "^" / "_"
code      = "N" / "R" / "M" / "C" / "U" / "A" / "B" / "D" / "0" / "1"
kind      = %s"cur" / %s"volt" / %s"pos" / %s"pol" / %s"out" / %s"occ" / %s"temp"
unit      = "-" / 1*3ALPHA
scale     = 1*DIGIT [ "." 1*6DIGIT ]
key       = 1*8( %x61-7A )
label     = word
word      = 1*40wchar
wchar     = %x21-22 / %x24-29 / %x2B-3F / %x41-7E
"""

TOKEN = re.compile(r'\s*(%s"[^"]*"|"[^"]*"|%x[0-9A-F]+(?:-[0-9A-F]+)?|\d*\*\d*|\d+|[A-Za-z][A-Za-z0-9-]*|[()\[\]/])')


def parse_rules(text):
    rules = {}
    for line in text.strip().splitlines():
        name, body = line.split("=", 1)
        tokens = TOKEN.findall(body)
        tree, rest = alternatives(tokens)
        assert not rest, (name, rest)
        rules[name.strip()] = tree
    return rules


def alternatives(tokens):
    options = []
    while True:
        sequence, tokens = concatenation(tokens)
        options.append(sequence)
        if not tokens or tokens[0] != "/":
            return ("or", options), tokens
        tokens = tokens[1:]


def concatenation(tokens):
    parts = []
    while tokens and tokens[0] not in ("/", ")", "]"):
        least, most = 1, 1
        if re.fullmatch(r"\d*\*\d*", tokens[0]):
            low, high = tokens[0].split("*")
            least, most = int(low or 0), int(high) if high else None
            tokens = tokens[1:]
        elif tokens[0].isdigit():
            least = most = int(tokens[0])
            tokens = tokens[1:]
        token, tokens = tokens[0], tokens[1:]
        if token == "(":
            item, tokens = alternatives(tokens)
            tokens = tokens[1:]
        elif token == "[":
            item, tokens = alternatives(tokens)
            tokens, least, most = tokens[1:], 0, 1
        elif token.startswith("%x"):
            bounds = [int(it, 16) for it in token[2:].split("-")]
            item = ("range", bounds[0], bounds[-1])
        elif '"' in token:
            item = ("text", token.split('"')[1])
        else:
            item = ("rule", token)
        parts.append((least, most, item))
    return ("all", parts), tokens


RULES = parse_rules(GRAMMAR)


def pattern(node):
    """The grammar has no recursion: it is a regular expression."""
    kind = node[0]
    if kind == "or":
        return "(?:" + "|".join(pattern(it) for it in node[1]) + ")"
    if kind == "all":
        return "".join(f"(?:{pattern(item)}){repeat(least, most)}" for least, most, item in node[1])
    if kind == "range":
        return f"[{re.escape(chr(node[1]))}-{re.escape(chr(node[2]))}]"
    return re.escape(node[1]) if kind == "text" else pattern(RULES[node[1]])


def repeat(least, most):
    return "" if (least, most) == (1, 1) else "{%d,%s}" % (least, "" if most is None else most)


UP = re.compile(pattern(RULES["from-node"]), re.ASCII)
DOWN = re.compile(pattern(RULES["to-node"]), re.ASCII)


def derive(node, dice):
    kind = node[0]
    if kind == "or":
        return derive(dice.choice(node[1]), dice)
    if kind == "all":
        out = ""
        for least, most, item in node[1]:
            times = dice.randint(least, min(most if most is not None else least + 3, least + 5))
            out += "".join(derive(item, dice) for _ in range(times))
        return out
    if kind == "range":
        return chr(dice.randint(node[1], node[2]))
    return node[1] if kind == "text" else derive(RULES[node[1]], dice)


def check(said):
    return "%04X" % binascii.crc_hqx(said.encode("ascii"), 0xFFFF)


def spoil(said, dice):
    """One character changed, added or gone; the check is computed afterwards, so that the grammar must decide."""
    at = dice.randrange(1, len(said))
    new = chr(dice.randint(0x20, 0x7E)).replace("*", "x").replace("#", "x").replace("@", "x")
    return dice.choice([said[:at] + new + said[at + 1 :], said[:at] + new + said[at:], said[:at] + said[at + 1 :]])


def is_line(said):
    """By grammar, and by the addresses and bounds that its comments and the rules name."""
    if len(said) + 7 > 160:
        return None
    if any(int(it) > 0xFFFFFFFF for it in re.findall(r"\d{10,}", said)):
        return None  # a number of 32 bits is meant; the grammar allows ten digits
    if UP.fullmatch(said):
        return 1 <= int(said[1:3], 16) <= 0xFE
    if not DOWN.fullmatch(said):
        return False
    addr, verb = int(said[1:3], 16), said[9:].split(" ")[0]
    if verb == "PM" and int(said.rsplit(" ", 1)[1]) > 5000:
        return False
    if verb == "HI":
        return addr != 0xFF
    return addr != 0 if verb == "CUT" else 1 <= addr <= 0xFE


def cases(seed, count):
    dice = random.Random(seed)
    for at in range(count):
        said = derive(RULES[dice.choice(["from-node", "to-node"])], dice)
        if at % 2:
            said = spoil(said, dice)
        verdict = is_line(said)
        if verdict is not None:
            yield f"{said}*{check(said)}", verdict
        if verdict:
            digit = dice.choice([it for it in "0123456789ABCDEF" if it != check(said)[0]])
            yield f"{said}*{digit}{check(said)[1:]}", False


def plain(answer):
    """The program writes numbers without leading zeros and no minus zero; the check follows what is written."""
    return re.sub(r" -0(?= |$)", " 0", re.sub(r"0+(?=[0-9A-F])", "", answer.split("*")[0]))


def main():
    program, vectors = sys.argv[1:3]
    seed, count = int((sys.argv[3:] or ["7"])[0]), int((sys.argv[4:] or ["20000"])[0])
    assert binascii.crc_hqx(b"123456789", 0xFFFF) == 0x29B1
    given = []
    for line in open(vectors, encoding="ascii").read().splitlines():
        said, _, sum_ = line.partition("*")
        assert check(said) == sum_ and is_line(said), f"the page's own line is none: {line}"
        given.append((line, True))
    all_cases = given + list(cases(seed, count))
    text = "\n".join(line for line, _ in all_cases)
    answers = subprocess.run([program], input=text, capture_output=True, text=True, check=True).stdout.splitlines()
    assert len(answers) == len(all_cases), (len(answers), len(all_cases))
    wrong = 0
    for (line, want), answer in zip(all_cases, answers):
        same = plain(answer) == plain(f"ok {line}") if want else answer.startswith("no ")
        if not same:
            wrong += 1
            if wrong <= 10:
                print(f"{'a line' if want else 'no line'}: {line!r}\n  the program: {answer!r}")
    good = sum(want for _, want in all_cases)
    print(f"{len(all_cases)} texts, {good} of them lines, {wrong} differences")
    sys.exit(1 if wrong or good < count // 4 else 0)


if __name__ == "__main__":
    main()
