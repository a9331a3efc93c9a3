"""The words of SCPI-1999: headers and their short forms, parameters in, answers out.

Pure functions over text; decimals are scaled to whole numbers on the way in and out, there are no floats.
Nothing here knows a command.
"""

from boxcore.scpi_errors import ScpiError

MAX_MNEMONIC = 12  # characters (488.2, 7.6.1.4.1)
MAX_EXPONENT = 32000  # (488.2, 7.7.2.4.1)
MAX_DIGITS = (
    18  # of a scaled value: far beyond any range here, keeps a short text from becoming a huge number
)

NUMBER, WORD, STRING = "number", "word", "string"  # kinds of parameter
NOT_ALLOWED = {NUMBER: -128, WORD: -148, STRING: -158}
RADIX = {"H": 16, "Q": 8, "B": 2}  # non-decimal numeric data (488.2, 7.7.4)


def is_letter(c):
    """True for an ASCII letter."""
    return "A" <= c <= "Z" or "a" <= c <= "z"


def is_digit(c):
    """True for an ASCII digit."""
    return "0" <= c <= "9"


def is_word(c):
    """True for what a mnemonic may hold after its first letter."""
    return is_letter(c) or is_digit(c) or c == "_"


def split_header(text):
    """Split a unit into its header in capitals and the text of its parameters."""
    text = text.strip(" ")
    end = 0
    while end < len(text) and (is_word(text[end]) or text[end] in ":*?"):
        end += 1
    header = text[:end].upper()
    if end < len(text) and text[end] != " ":
        raise ScpiError(-111 if header and text[end] in ",\"'#()" else -101)
    return header, text[end:].strip(" ")


def mnemonics(header):
    """The words of a header (capitals, without '?'), ["*IDN"] for a common command; raises -110, -112."""
    if header.endswith("?"):
        header = header[:-1]
    body = header[1:] if header[:1] in (":", "*") else header
    words = body.split(":")
    if header.startswith("*") and len(words) > 1:
        raise ScpiError(-110)
    for word in words:
        if not word or not is_letter(word[0]) or "*" in word or "?" in word:
            raise ScpiError(-110)
        if len(word) > MAX_MNEMONIC:
            raise ScpiError(-112)
    return ["*" + body] if header.startswith("*") else words


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
    at = _past_spaces(text, 0)
    while at < len(text):
        item, at = _parameter(text, at)
        found.append(item)
        at = _past_spaces(text, at)
        if at == len(text):
            return found
        if text[at] != ",":
            raise ScpiError(-103)
        at = _past_spaces(text, at + 1)
        if at == len(text):
            raise ScpiError(-109)
    return found


def _past_spaces(text, at):
    while at < len(text) and text[at] == " ":
        at += 1
    return at


def _parameter(text, at):
    c = text[at]
    if c in "\"'":
        return _string(text, at)
    if is_letter(c):
        end = _past(text, at, is_word)
        if end - at > MAX_MNEMONIC:
            raise ScpiError(-141)
        return (WORD, text[at:end].upper()), end
    if is_digit(c) or c in "+-.":
        return _decimal(text, at)
    if c == "#":
        return _radix(text, at + 1)
    raise ScpiError(-109 if c == "," else -104 if c == "(" else -101)


def _past(text, at, wanted):
    while at < len(text) and wanted(text[at]):
        at += 1
    return at


def _string(text, at):
    quote = text[at]
    parts = []
    while True:
        end = text.find(quote, at + 1)
        if end < 0:
            raise ScpiError(-151)
        parts.append(text[at + 1 : end])
        if text[end + 1 : end + 2] != quote:
            return (STRING, quote.join(parts)), end + 1
        at = end + 1


def _radix(text, at):
    base = RADIX.get(text[at : at + 1].upper())
    if base is None:
        raise ScpiError(-161)
    end = _past(text, at + 1, is_word)
    digits = text[at + 1 : end]
    try:
        value = int("!" if "_" in digits else digits, base)  # CPython takes underscores
    except ValueError:
        raise ScpiError(-121) from None
    return (NUMBER, (False, "%d" % value, 0, "")), end


def _decimal(text, at):
    """<NRf> with a suffix: (NUMBER, (negative, digits, exponent, suffix)), value digits * 10^exponent."""
    negative = text[at] == "-"
    if text[at] in "+-":
        at += 1
    end = _past(text, at, is_digit)
    digits = text[at:end]
    places = 0
    if text[end : end + 1] == ".":
        at = end + 1
        end = _past(text, at, is_digit)
        digits += text[at:end]
        places = end - at
    if not digits:
        raise ScpiError(-121)
    exponent, end = _exponent(text, end)
    start = _past_spaces(text, end)
    if start == len(text) or is_letter(text[start]):
        end = _past(text, start, is_letter)
    suffix = text[start:end].upper()
    if end < len(text) and text[end] not in " ,":
        raise ScpiError(-121)
    return (NUMBER, (negative, digits.lstrip("0"), exponent - places, suffix)), end


def _exponent(text, end):
    at = _past_spaces(text, end)
    if text[at : at + 1] not in ("E", "e"):
        return 0, end
    at = _past_spaces(text, at + 1)
    sign = -1 if text[at : at + 1] == "-" else 1
    if text[at : at + 1] in ("+", "-"):
        at += 1
    end = _past(text, at, is_digit)
    if end == at:
        raise ScpiError(-121)
    size = int(text[at:end])
    if size > MAX_EXPONENT:
        raise ScpiError(-123)
    return sign * size, end


def _want(item, kind):
    if item[0] != kind:
        raise ScpiError(NOT_ALLOWED[item[0]])
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
    negative, digits, exponent, suffix = _want(item, NUMBER)
    if suffix not in suffixes:
        raise ScpiError(-138 if len(suffixes) == 1 else -131)
    power = exponent + suffixes[suffix]
    if digits and len(digits) + power > MAX_DIGITS:
        raise ScpiError(-222)
    value = _shifted(digits, power)
    if negative:
        value = -value
    if not low <= value <= high:
        raise ScpiError(-222)
    return value


def _shifted(digits, power):
    if not digits or len(digits) + power < 0:
        return 0
    if power >= 0:
        return int(digits) * 10**power
    divisor = 10**-power
    return (2 * int(digits) + divisor) // (2 * divisor)


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
        raise ScpiError(-224)

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
    digits = "%d" % abs(value)
    digits = "0" * (places + 1 - len(digits)) + digits
    return "%s%s.%s" % ("-" if value < 0 else "", digits[:-places], digits[-places:])


def quoted(text):
    """A string answer."""
    return '"%s"' % text.replace('"', '""')


def block(data):
    """A definite-length block answer (488.2, 8.7.9)."""
    return block_head(len(data)) + data


def block_head(size):
    """What a definite-length block of so many bytes begins with."""
    digits = b"%d" % size
    return b"#%d" % len(digits) + digits
