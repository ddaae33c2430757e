"""Program messages, what must be answered, and which error: the rules of SCPI-1999 and IEEE 488.2.

Sources: SCPI-1999 volume 1 "Syntax and Style" chapters 6 (headers) and 7 (parameters), volume 2 chapters 20
(STATus) and 21 (SYSTem, with the list of error numbers), IEEE 488.2 chapters 6 (message exchange), 7 and 8
(encoding) and 10 (common commands). All rules are recalled from memory of these standards; the standards
themselves were not at hand. The answers' number of digits, and which number stands where the standard leaves
a choice, are our own.
"""

from __future__ import annotations

import math

import pytest

from sim.scpi.device import NotYet

# message, response (None: none), error number left in the queue (0: none), where it comes from
TABLE = [
    # --- spelling: volume 1, 6.2.1 -------------------------------------------------------------------
    ("FREQ?", "1.000000000E+08", 0, "short form"),
    ("FREQUENCY?", "1.000000000E+08", 0, "long form"),
    ("freq?", "1.000000000E+08", 0, "case does not matter"),
    ("fReQuEnCy?", "1.000000000E+08", 0, "case does not matter"),
    ("FREQU?", None, -113, "neither short nor long form"),
    ("FRE?", None, -113, "shorter than the short form"),
    ("SOURC:FREQ?", None, -113, "neither form of SOURce"),
    ("FREQUENCYANDMORE?", None, -112, "a mnemonic of more than 12 characters"),
    ("NONSENSE 1", None, -113, "undefined header"),
    ("*NON", None, -113, "undefined common command"),
    ("*IDN", None, -113, "a query only"),
    ("SYST:ERR 1", None, -113, "a query only"),
    # --- default nodes and root: 6.2.4 ---------------------------------------------------------------
    (":FREQ?", "1.000000000E+08", 0, "leading colon"),
    ("SOUR:FREQ:CW?", "1.000000000E+08", 0, "all default nodes written"),
    ("SOURCE:FREQUENCY:FIXED?", "1.000000000E+08", 0, "the other choice"),
    ("POW:LEV:AMPL?", "-1.400000000E+02", 0, "some default nodes written"),
    ("SOUR:POW:LEV:IMM:AMPL?", "-1.400000000E+02", 0, "all default nodes written"),
    ("POW:AMPL:LEV?", None, -113, "nodes in the wrong order"),
    (" \t FREQ? \r", "1.000000000E+08", 0, "white space around, CR included"),
    # --- compound messages: 6.2.4 --------------------------------------------------------------------
    ("SOUR:FREQ 2E8;POW -10;:FREQ?;POW?", "2.000000000E+08;-1.000000000E+01", 0, "siblings after ;"),
    ("FREQ 2E8;OUTP ON;FREQ?;OUTP?", "2.000000000E+08;1", 0, "both seen at root"),
    ("SOUR:FREQ 2E8;OUTP ON", None, -113, "OUTPut is not below SOURce"),
    ("SOUR:FREQ 2E8;:OUTP ON;:OUTP?", "1", 0, ";: goes back to root"),
    ("FM:INT:FREQ 500;FREQ?", "5.000000000E+02", 0, "the path is the parent of the last node"),
    ("FM:INT:FREQ 500;*ESE 0;FREQ?", "5.000000000E+02", 0, "a common command leaves the path"),
    ("FM:INT:FREQ 500;:FREQ?", "1.000000000E+08", 0, "root FREQuency is another"),
    ("OUTP ON;NONSENSE;OUTP OFF", None, -113, "a command error ends the message"),
    ("FREQ 5;OUTP ON;OUTP?", "1", -222, "an execution error does not end the message"),
    ("", None, 0, "an empty message"),
    (" ", None, 0, "white space only"),
    ("FREQ?;;OUTP?", "1.000000000E+08", -102, "an empty unit"),
    # --- suffixes on nodes: 6.2.5 --------------------------------------------------------------------
    (
        "FM:INT2:FREQ 400;:FM:INT2:FREQ?;:FM:INT1:FREQ?",
        "4.000000000E+02;1.000000000E+03",
        0,
        "numeric suffix",
    ),
    ("FM:INT1:FREQ?;:FM:INT:FREQ?", "1.000000000E+03;1.000000000E+03", 0, "suffix 1 is the default"),
    ("FM:INT3:FREQ?", None, -114, "suffix out of range"),
    ("FM:INT0:FREQ?", None, -114, "suffix out of range"),
    ("OUTP1?", "0", 0, "1 is what a node without suffix has"),
    ("OUTP2?", None, -114, "there is no second one"),
    ("*IDN1?", None, -113, "common commands have no suffix"),
    # --- separators ----------------------------------------------------------------------------------
    ("FREQ?MAX", None, -111, "no white space after the header"),
    ("FREQ,1E8", None, -111, "a comma after the header"),
    ('SENS:FUNC"AM"', None, -111, "a quote after the header"),
    ("OUTP 1 :FREQ 1E8", None, -103, "semicolon omitted; SCPI's own example for -103"),
    ("FREQ::CW?", None, -102, "two colons"),
    ("FREQ:", None, -102, "nothing after the colon"),
    ("123", None, -102, "no header"),
    ("?", None, -102, "no header"),
    ("FREQ \xe9", None, -101, "not an ASCII character"),
    # --- numbers: 488.2 7.7.2, volume 1 7.2 ----------------------------------------------------------
    ("FREQ 150000000;FREQ?", "1.500000000E+08", 0, "NR1"),
    ("FREQ +150000000.0;FREQ?", "1.500000000E+08", 0, "NR2 with sign"),
    ("FREQ 1.5E8;FREQ?", "1.500000000E+08", 0, "NR3"),
    ("FREQ 1.5 E +8;FREQ?", "1.500000000E+08", 0, "white space around E"),
    ("FREQ .15e9;FREQ?", "1.500000000E+08", 0, "no digit before the point"),
    ("FREQ 150.e6;FREQ?", "1.500000000E+08", 0, "no digit after the point"),
    ("FREQ 150 MHZ;FREQ?", "1.500000000E+08", 0, "M is mega before HZ"),
    ("FREQ 150mhz;FREQ?", "1.500000000E+08", 0, "M is mega before HZ in any case"),
    ("FREQ 150 MAHZ;FREQ?", "1.500000000E+08", 0, "MA is mega"),
    ("FREQ 0.15 GHZ;FREQ?", "1.500000000E+08", 0, "G is giga"),
    ("FREQ 150000 KHZ;FREQ?", "1.500000000E+08", 0, "K is kilo"),
    ("FREQ 1.5E8 HZ;FREQ?", "1.500000000E+08", 0, "exponent and unit"),
    ("LOAD 10 MOHM;LOAD?", "1.000000000E+07", 0, "M is mega before OHM"),
    ("VOLT 10 MV;VOLT?", "1.000000000E-02", 0, "M is milli before V"),
    ("VOLT 1.5E7 UV;VOLT?", "1.500000000E+01", 0, "U is micro"),
    ("POW -10 DBM;POW?", "-1.000000000E+01", 0, "dBm"),
    ("POW 1 MW;POW?", "0.000000000E+00", 0, "1 mW is 0 dBm by definition"),
    ("FREQ #H5F5E100;FREQ?", "1.000000000E+08", 0, "hexadecimal"),
    ("FREQ #Q575360400;FREQ?", "1.000000000E+08", 0, "octal"),
    ("VOLT #B1010;VOLT?", "1.000000000E+01", 0, "binary"),
    ("FREQ 123456789.126;FREQ?", "1.234567891E+08", 0, "rounded to the instrument's resolution"),
    ("FREQ 1 V", None, -131, "a suffix of another dimension"),
    ("FREQ 1 XHZ", None, -131, "no such multiplier"),
    ("FREQ 1E", None, -131, "E without digits is a suffix, and a wrong one"),
    ("FREQ 1 ABCDEFGHIJKLM", None, -134, "a suffix of more than 12 characters"),
    ("SENS:AVER:COUN 5 HZ", None, -138, "no suffix where there is no unit"),
    ("FREQ 1.2.3", None, -120, "two points"),
    ("FREQ +", None, -120, "a sign alone"),
    ("FREQ 1E40000", None, -123, "exponent beyond 32000"),
    ("FREQ 1E32000", None, -222, "a legal number far out of range"),
    ("FREQ #HXYZ", None, -121, "no hexadecimal digit"),
    ("FREQ #Q9", None, -121, "a 9 in octal; SCPI's own example for -121"),
    ("FREQ 1 2", None, -103, "comma omitted"),
    ("FREQ 1,2", None, -108, "one parameter too many"),
    ("FREQ? MAX,MIN", None, -108, "one parameter too many"),
    ("OUTP? 1", None, -108, "no parameter to this query"),
    ("FREQ", None, -109, "parameter missing"),
    ("FREQ ,1", None, -102, "an empty parameter"),
    ("FREQ 99E3", None, -222, "below the range"),
    ("FREQ 1.1E9", None, -222, "above the range"),
    ("FREQ ABC", None, -141, "no such word here"),
    ("FREQ INF", None, -222, "infinity is out of range"),
    ("*ESE ABC", None, -148, "no word allowed"),
    ("*ESE MAX", None, -148, "no word allowed, not even MAXimum"),
    ("*ESE 256", None, -222, "a byte"),
    ('FREQ "1E8"', None, -104, "a string where a number is due"),
    ("FREQ (@1)", None, -104, "a list where a number is due"),
    ("FREQ #13abc", None, -104, "a block where a number is due"),
    # --- MINimum, MAXimum, DEFault: 7.2.1 ------------------------------------------------------------
    ("FREQ MAX;FREQ?", "1.000000000E+09", 0, "MAXimum"),
    ("FREQ MINIMUM;FREQ?", "1.000000000E+05", 0, "MINimum in full"),
    ("FREQ 2E8;FREQ DEF;FREQ?", "1.000000000E+08", 0, "DEFault"),
    ("FREQ? MIN;FREQ? MAX;FREQ? DEF", "1.000000000E+05;1.000000000E+09;1.000000000E+08", 0, "in queries"),
    ("FREQ? MAXI", None, -141, "neither form of MAXimum"),
    ("SENS:AVER:COUN MAX;COUN?", "100", 0, "NR1 for an integer"),
    ("SENS:AVER:COUN 7.6;COUN?", "8", 0, "an integer setting rounds"),
    # --- boolean: 7.3 --------------------------------------------------------------------------------
    ("OUTP ON;OUTP?", "1", 0, "answered 1"),
    ("OUTP ON;OUTP OFF;OUTP?", "0", 0, "answered 0"),
    ("OUTP 2.7;OUTP?", "1", 0, "a number other than 0"),
    ("OUTP -1;OUTP?", "1", 0, "a number other than 0"),
    ("OUTP 0.4;OUTP?", "0", 0, "rounds to 0"),
    ("OUTP TRUE", None, -141, "no such word here"),
    ("OUTP 1 V", None, -138, "no suffix"),
    # --- character data: 7.1, answered in short form -------------------------------------------------
    ("FM:SOUR EXTERNAL;SOUR?", "EXT", 0, "short form in capitals"),
    ("FM:SOUR ext;SOUR?", "EXT", 0, "any case"),
    ("FM:SOUR EXTE", None, -224, "neither form"),
    ("FM:SOUR 1", None, -104, "a number where a word is due"),
    ("FM:SOUR ABCDEFGHIJKLM", None, -144, "more than 12 characters"),
    # --- strings: 488.2 7.7.5 ------------------------------------------------------------------------
    ('SENS:FUNC "AM";FUNC?', '"AM"', 0, "double quotes"),
    ("SENS:FUNC 'AM';FUNC?", '"AM"', 0, "single quotes"),
    ('SENS:FUNC "a;b,c";FUNC?', '"a;b,c"', 0, "separators within"),
    ('SENS:FUNC "say ""hi""";FUNC?', '"say ""hi"""', 0, "a doubled quote"),
    ("SENS:FUNC 'it''s \"it\"';FUNC?", '"it\'s ""it"""', 0, "both kinds of quote"),
    ('SENS:FUNC "#15ab";FUNC?', '"#15ab"', 0, "no block within a string"),
    ('SENS:FUNC "AM', None, -151, "no closing quote"),
    ('SENS:FUNC "AM" "FM"', None, -103, "comma omitted"),
    ("SENS:FUNC AM", None, -104, "a word where a string is due"),
    # --- blocks: 488.2 7.7.6 -------------------------------------------------------------------------
    ("TRAC #15HELLO;TRAC?", "#15HELLO", 0, "a definite block"),
    ("TRAC #205a;b\n,;TRAC?", "#15a;b\n,", 0, "separators and NL within"),
    ("TRAC #0HELLO", None, 0, "an indefinite block, ended by END"),
    ("TRAC #10;TRAC?", "#10", 0, "an empty block"),
    ("TRAC #19short", None, -161, "shorter than it says"),
    ("TRAC #2x5HELLO", None, -161, "length not in digits"),
    ("TRAC #15HELLOO", None, -103, "longer than it says"),
    ("TRAC 5", None, -104, "a number where a block is due"),
    # --- channel lists: volume 1, 8.3.2 --------------------------------------------------------------
    ("ROUT:CLOS (@1,3,5:7);CLOS? (@1:8)", "1,0,1,0,1,1,1,0", 0, "numbers and a range"),
    ("ROUT:CLOS (@ 2 , 4 );CLOS? (@4:2)", "1,0,1", 0, "white space, and a range downwards"),
    ("ROUT:CLOS (@9)", None, -222, "no such channel"),
    ("ROUT:CLOS (@1", None, -171, "no closing parenthesis"),
    ("ROUT:CLOS (1)", None, -171, "no @"),
    ("ROUT:CLOS (@1;2)", None, -171, "a semicolon within"),
    ("ROUT:CLOS (@1:999999)", None, -223, "more channels than any instrument has"),
    # --- settings conflict, stale result, optional parameters ----------------------------------------
    ("FREQ 600MHZ;POW 5;POW?", "-1.400000000E+02", -221, "refused, and nothing changed"),
    ("FETC?", None, -230, "nothing to fetch"),
    ("CONF:RANG 2;:READ?", "2.000000000E+00", 0, "optional parameter left out"),
    ("CONF:RANG 2,ON;:READ?", "2.000000000E+00", 0, "optional parameter given"),
    ("CONF:RANG", None, -109, "the other one is not optional"),
    ("CONF:RANG 1,ON,3", None, -108, "too many"),
    # --- special numbers: 7.2.1.4, 7.2.1.5 -----------------------------------------------------------
    ("READ?", "9.91E+37", 0, "not a number"),
    # --- answers: 488.2 8, 6.3.5 ---------------------------------------------------------------------
    ("*IDN?", "Invented,Specimen,0042,1.0", 0, "four fields"),
    ("OUTP?;*IDN?", "0;Invented,Specimen,0042,1.0", 0, "an indefinite answer may be the last"),
    ("*IDN?;OUTP?", "Invented,Specimen,0042,1.0", -440, "a query after an indefinite answer"),
    ("SYST:VERS?", "1999.0", 0, "version"),
    ("*TST?", "0", 0, "self-test passed"),
    ("*ESE 32;*ESE?", "32", 0, "event enable"),
    ("*SRE 255;*SRE?", "191", 0, "bit 6 of the service request enable is always 0"),
    ("*STB?", "0", 0, "status byte"),
    ("OUTP?;*STB?", "0;16", 0, "message available"),
    ("*OPC?", "1", 0, "nothing pending"),
    ("*TRG", None, 0, "trigger"),
    ("STAT:OPER:ENAB 65535;ENAB?", "32767", 0, "bit 15 is always 0"),
    ("STAT:QUES:PTR 0;NTR 3;PTR?;NTR?", "0;3", 0, "transition filters"),
    ("STAT:QUES:ENAB 7;:STAT:PRES;:STAT:QUES:ENAB?", "0", 0, "STATus:PRESet"),
    ("SYST:ERR:COUN?", "0", 0, "nothing in the queue"),
]


def ask(device, message: bytes) -> bytes | None:
    """Send a message and wait for its answer on the device's clock; None where none comes."""
    device.input(message)
    if device._exchange is None or not device._exchange.asks:
        return None
    for _ in range(20):
        answer = device.output()
        if not isinstance(answer, NotYet):
            return answer
        if math.isinf(answer.ready_at_s):
            return None
        device.clock.wait_s(max(0.0, answer.ready_at_s - device.clock.now_s()))
    raise AssertionError("the answer never became ready")


def queue(device) -> list[int]:
    """Take the error numbers from the queue, without the -420 that `ask` caused by reading for nothing."""
    numbers = []
    while len(device.errors):
        numbers.append(int(device.errors.pop().split(",")[0]))
    return [number for number in numbers if number != -420]


@pytest.mark.parametrize(
    ("message", "response", "error", "rule"), TABLE, ids=[f"{row[0][:30]!r}-{row[3]}" for row in TABLE]
)
def test_message_is_answered_as_the_standards_say(specimen, message, response, error, rule) -> None:
    """Each message gets the answer and the error number of SCPI-1999 and IEEE 488.2 (recalled; see the
    module's sources).
    """
    answer = ask(specimen, message.encode("latin-1"))

    assert answer == (None if response is None else response.encode("latin-1") + b"\n"), rule
    assert queue(specimen) == ([error] if error else []), rule


@pytest.mark.parametrize(
    ("message", "bit"),
    [(b"NONSENSE", 5), (b"FREQ 1", 4), (b"*IDN?;OUTP?", 2)],
    ids=["command", "execution", "query"],
)
def test_error_class_sets_its_event_bit(specimen, message, bit) -> None:
    """An error sets the bit of its class in the standard event status register (SCPI-1999 volume 2, 21.8.9 to
    11, recalled).
    """
    ask(specimen, message)
    assert int(ask(specimen, b"*ESR?")) & 1 << bit
    assert ask(specimen, b"*ESR?") == b"0\n"


def test_power_on_bit_is_set_once(specimen_class) -> None:
    """A fresh instrument answers 128 to *ESR?, then 0 (IEEE 488.2, 11.5.1.1.2, recalled)."""
    from sim.clock import VirtualClock

    device = specimen_class(VirtualClock())
    assert [ask(device, b"*ESR?"), ask(device, b"*ESR?")] == [b"128\n", b"0\n"]


def test_error_queue_overflows_at_its_end(specimen) -> None:
    """The newest entry becomes -350, the oldest stay (SCPI-1999 volume 2, 21.8.1, recalled)."""
    for _ in range(40):
        specimen.input(b"FREQ 1")
    specimen.input(b"NONSENSE")

    numbers = queue(specimen)

    assert numbers[0] == -222
    assert numbers[-1] == -350
    assert len(numbers) == 30


def test_reset_keeps_errors_and_clear_status_removes_them(specimen) -> None:
    """*RST brings settings to their defaults and leaves queue, event status and enables; *CLS the reverse
    (488.2 10.32, 10.3).
    """
    specimen.input(b"*ESE 48;FREQ 3E8;OUTP ON;:NONSENSE")
    assert ask(specimen, b"*RST;FREQ?;OUTP?;*ESE?;:SYST:ERR:COUN?") == b"1.000000000E+08;0;48;1\n"
    assert ask(specimen, b"*CLS;*ESE?;:SYST:ERR?;*ESR?") == b'48;0,"No error";0\n'


def test_unread_answer_is_interrupted(specimen) -> None:
    """A new message before the answer was read loses the answer and leaves -410 (IEEE 488.2, 6.3.2.3,
    recalled).
    """
    specimen.input(b"FREQ?")
    assert ask(specimen, b"OUTP?") == b"0\n"
    assert queue(specimen) == [-410]


def test_answer_in_the_making_is_interrupted_too(specimen) -> None:
    """The next message gets its own answer, never the late one."""
    specimen.input(b"MEAS:POW?")
    assert ask(specimen, b"OUTP?") == b"0\n"
    assert queue(specimen) == [-410]
    assert specimen.clock.now_s() == pytest.approx(0.25)


def test_reading_unasked_is_unterminated(specimen) -> None:
    """Reading where nothing was asked leaves -420 (IEEE 488.2, 6.3.2.2, recalled)."""
    assert specimen.output() == NotYet(math.inf)
    assert ask(specimen, b"SYST:ERR?") == b'-420,"Query UNTERMINATED"\n'


def test_settling_bit_and_operation_complete(specimen) -> None:
    """The SETTling bit is up for as long as it takes, its event latches, and *OPC? waits for it (488.2
    12.5.3, volume 2 20, recalled).
    """
    assert ask(specimen, b"FREQ 2E8;:STAT:OPER:COND?") == b"2\n"
    assert ask(specimen, b"*OPC?") == b"1\n"
    assert specimen.clock.now_s() == pytest.approx(0.1)
    assert ask(specimen, b"STAT:OPER:COND?;EVEN?;EVEN?") == b"0;2;0\n"


def test_operation_complete_bit_comes_when_it_is(specimen) -> None:
    """*OPC sets bit 0 of the event status only when nothing is pending any more (488.2 10.18, recalled)."""
    specimen.input(b"FREQ 2E8;*OPC")
    assert ask(specimen, b"*ESR?") == b"0\n"
    specimen.clock.wait_s(0.11)
    assert ask(specimen, b"*ESR?") == b"1\n"


def test_wait_holds_what_follows(specimen) -> None:
    """*WAI lets the rest of the message wait until nothing is pending (488.2 10.39, recalled)."""
    specimen.input(b"FREQ 2E8;*WAI;OUTP ON")
    assert not specimen.output_on
    specimen.clock.wait_s(0.11)
    specimen.advance()
    assert specimen.output_on


def test_summary_bits_reach_the_status_byte(specimen) -> None:
    """Enabled events are summed up in the status byte: bits 2, 3, 5, 6 and 7 (488.2 11.2 and SCPI-1999 volume
    1, 9, recalled).
    """
    specimen.input(b"*ESE 32;*SRE 32;:STAT:OPER:ENAB 2;:STAT:QUES:ENAB 8")
    assert specimen.status_byte(message_available=False) == 0
    specimen.flag("POWer", on=True)
    specimen.input(b"FREQ 2E8;NONSENSE")
    assert specimen.status_byte(message_available=False) == 0b11101100


def test_answer_is_not_ready_before_its_time(specimen) -> None:
    """A measurement that takes 250 ms answers after 250 ms on the device's clock and not before."""
    specimen.input(b"MEAS:POW?;:OUTP?")
    assert specimen.output() == NotYet(0.25)
    specimen.clock.wait_s(0.2)
    assert specimen.output() == NotYet(0.25)
    specimen.clock.wait_s(0.06)
    assert specimen.output() == b"-1.400000000E+02;0\n"


def test_device_clear_ends_what_would_never_end(specimen) -> None:
    """After a device clear an instrument that was busy for ever obeys again, with its settings kept (488.2
    5.8, recalled).
    """
    specimen.input(b"FREQ 2E8;:HANG?")
    specimen.input(b"OUTP ON")
    assert specimen.output() == NotYet(math.inf)
    specimen.clear()
    assert ask(specimen, b"FREQ?;OUTP?") == b"2.000000000E+08;0\n"
