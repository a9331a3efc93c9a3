"""The words of SCPI-1999: headers and their short forms, parameters in, answers out.

Pure functions over text; decimals are scaled to whole numbers on the way in and out, there are no floats.
Nothing here knows a command. What takes something off a text returns it and the rest.
"""

from boxcore.states import BoxError

MAX_MNEMONIC = 12  # characters (488.2, 7.6.1.4.1)
MAX_EXPONENT = 32000  # (488.2, 7.7.2.4.1)
MOST_DIGITS = 300  # of a number in a message; so it is 0 when it is divided by more, and out of range ...
MOST_ZEROS = 18  # ... when that many are added to it: a short text never becomes a huge number

NUMBER, WORD, STRING = "number", "word", "string"  # kinds of parameter
NOT_ALLOWED = {NUMBER: -128, WORD: -148, STRING: -158}
RADIX = {"H": 16, "Q": 8, "B": 2}  # non-decimal numeric data (488.2, 7.7.4)
DIGITS = "0123456789"
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz"
WORDS = LETTERS + DIGITS + "_"  # what a mnemonic may hold after its first letter


def _split(text, wanted):
    rest = text.lstrip(wanted)
    return text[: len(text) - len(rest)], rest


def split_header(text):
    """Split a unit into its header in capitals and the text of its parameters."""
    header, rest = _split(text.strip(" "), WORDS + ":*?")
    if rest and rest[0] != " ":
        raise BoxError(-111 if header and rest[0] in ",\"'#()" else -101)
    return header.upper(), rest.strip(" ")


def mnemonics(header):
    """The words of a header (capitals, without '?'), ["*IDN"] for a common command; raises -110, -112."""
    if header.endswith("?"):
        header = header[:-1]
    body = header[1:] if header[:1] in (":", "*") else header
    words = body.split(":")
    common = header.startswith("*")
    for word in words:
        if not word or word[0] not in LETTERS or word.lstrip(WORDS) or (common and len(words) > 1):
            raise BoxError(-110)
        if len(word) > MAX_MNEMONIC:
            raise BoxError(-112)
    return [header] if common else words


def is_form_of(word, given):
    """True when `given` (capitals) is exactly the long or exactly the short form of a table's word.

    A table writes the short form, which the long one begins with, in capitals: SYSTem.
    """
    size = len(given)
    if word[:size] == given:
        return size == len(word) or "a" <= word[size] <= "z"
    return size == len(word) and word.upper() == given


def matches(pattern, words):
    """True when the words of a header fit a table's pattern such as "SYSTem:ERRor[:NEXT]" ('?' left out)."""
    at = 0
    for node in pattern.replace("[:", ":[").replace(":]", "]:").split(":"):
        word = node.strip("[]")
        if at < len(words) and is_form_of(word, words[at]):
            at += 1
        elif node == word:
            return False
    return at == len(words)


def parameters(text):
    """The parameters in a text as (kind, value) pairs: see NUMBER, WORD, STRING and `scaled`."""
    found = []
    rest = text.lstrip(" ")
    while rest or found:
        item, rest = _parameter(rest)
        found.append(item)
        rest = rest.lstrip(" ")
        if not rest:
            break
        if rest[0] != ",":
            raise BoxError(-103)
        rest = rest[1:].lstrip(" ")
    return found


def _parameter(text):
    c = text[:1]
    if c in ("", ","):
        raise BoxError(-109)
    if c in "\"'":
        return _string(text)
    if c in LETTERS:
        word, rest = _split(text, WORDS)
        if len(word) > MAX_MNEMONIC:
            raise BoxError(-141)
        return (WORD, word.upper()), rest
    if c in "+-." + DIGITS:
        return _decimal(text)
    if c == "#":
        return _radix(text[1:])
    raise BoxError(-104 if c == "(" else -101)


def _string(text):
    quote = text[0]
    value = ""
    while True:
        part, end, text = text[1:].partition(quote)
        if not end:
            raise BoxError(-151)
        value += part
        if text[:1] != quote:
            return (STRING, value), text
        value += quote


def _radix(text):
    base = RADIX.get(text[:1].upper())
    if base is None:
        raise BoxError(-161)
    digits, rest = _split(text[1:], WORDS)
    try:
        value = int("!" if "_" in digits else digits, base)  # CPython takes underscores
    except ValueError:
        raise BoxError(-121) from None
    return (NUMBER, (value, 0, "")), rest


def _decimal(text):
    """<NRf> with a suffix: (NUMBER, (value, exponent, suffix)), it is value * 10^exponent."""
    negative, rest = _sign(text)
    digits, rest = _split(rest, DIGITS)
    places = ""
    if rest[:1] == ".":
        places, rest = _split(rest[1:], DIGITS)
    digits += places
    if not digits:
        raise BoxError(-121)
    exponent, rest = _exponent(rest)
    suffix, after = _split(rest.lstrip(" "), LETTERS)
    rest = after if suffix else rest
    if rest and rest[0] not in " ,":
        raise BoxError(-121)
    value = -int(digits) if negative else int(digits)
    return (NUMBER, (value, exponent - len(places), suffix.upper())), rest


def _exponent(text):
    rest = text.lstrip(" ")
    if rest[:1] not in ("E", "e"):
        return 0, text
    negative, rest = _sign(rest[1:].lstrip(" "))
    digits, rest = _split(rest, DIGITS)
    if not digits:
        raise BoxError(-121)
    if int(digits) > MAX_EXPONENT:
        raise BoxError(-123)
    return -int(digits) if negative else int(digits), rest


def _sign(text):
    return text[:1] == "-", text[1:] if text[:1] in ("+", "-") else text


def _want(item, kind):
    if item[0] != kind:
        raise BoxError(NOT_ALLOWED[item[0]])
    return item[1]


def scaled(item, suffixes, low, high):
    """A number as a whole one, half away from zero, in low .. high; MINimum and MAXimum are these two
    (SCPI-1999, volume 1, 7.2.1).

    suffixes: {suffix in capitals: power of ten to the wanted unit}, "" for none; {"": 6, "A": 6, "MA": 3}
    gives microamperes. Raises -128.. for other kinds, -131, -138 for the suffix, -222 for the range.
    """
    if item[0] == WORD and is_form_of("MINimum", item[1]):
        return low
    if item[0] == WORD and is_form_of("MAXimum", item[1]):
        return high
    value, exponent, suffix = _want(item, NUMBER)
    if suffix not in suffixes:
        raise BoxError(-138 if len(suffixes) == 1 else -131)
    power = exponent + suffixes[suffix]
    factor = 10 ** min(max(power, 0), MOST_ZEROS)
    divisor = 10 ** min(max(-power, 0), MOST_DIGITS)
    size = (2 * abs(value) * factor + divisor) // (2 * divisor)
    value = -size if value < 0 else size
    if not low <= value <= high:
        raise BoxError(-222)
    return value


def quantity(suffixes, low, high):
    """A parameter that scaled() reads with these."""
    return lambda item: scaled(item, suffixes, low, high)


def integer(low, high):
    """A parameter that is a whole number in low .. high."""
    return quantity({"": 0}, low, high)


def register(high):
    """A parameter that is a register's bits, 0 .. high: a number and no word (488.2, 10.10)."""
    return lambda item: scaled((NUMBER, _want(item, NUMBER)), {"": 0}, 0, high)


def choice(words):
    """A parameter that is one of {table's word: value}; raises -224 for any other word."""

    def parse(item):
        given = _want(item, WORD)
        for word, value in words.items():
            if is_form_of(word, given):
                return value
        raise BoxError(-224)

    return parse


def boolean(item):
    """ON, OFF, or a number whose rounded value is not 0 (SCPI-1999, volume 1, 7.3)."""
    if item[0] == NUMBER:
        return scaled(item, {"": 0}, -(10**9), 10**9) != 0
    return choice({"ON": True, "OFF": False})(item)


def string(item):
    """The text of a string parameter."""
    return _want(item, STRING)


def decimal_text(value, places):
    """A whole number that counts units of 10^-places as decimal text: 12600, 3 -> "12.600"."""
    digits = "%0*d" % (places + 1, abs(value))
    return "%s%s.%s" % ("-" if value < 0 else "", digits[:-places], digits[-places:])


def quoted(text):
    """A string answer."""
    return '"%s"' % text.replace('"', '""')


def listed(answer):
    """The text of an answer: text, a whole number, or a list of both, where None, nothing there, is -1."""
    if isinstance(answer, (tuple, list)):
        return ",".join([listed(one) for one in answer])
    if isinstance(answer, str):
        return answer
    return "%d" % (-1 if answer is None else answer)


def block(data):
    """A definite-length block answer (488.2, 8.7.9)."""
    return block_head(len(data)) + data


def block_head(size):
    """What a definite-length block of so many bytes begins with."""
    digits = b"%d" % size
    return b"#%d" % len(digits) + digits
