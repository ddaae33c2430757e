"""Which names of resources a bench file may have. Outside the project: PyVISA's own parser of them."""

import pytest
from pyvisa.rname import InvalidResourceName, ResourceName

from sequencer.inputs.bench_parts.visa_resource import is_resource, with_class


@pytest.mark.parametrize(
    "address",
    [
        "TCPIP::192.0.2.12::05025::socket",
        "TCPIP0::meter.example::5025::SOCKET",
        "TCPIP::192.0.2.12",
        "tcpip2::192.0.2.12::inst0",
        "TCPIP::192.0.2.12::hislip0,4880::INSTR",
        "TCPIP0::gateway::gpib0,5::instr",
        "GPIB::3",
        "GPIB0::3::1::INSTR",
        "USB0::0x1234::0x5678::SN01::INSTR",
        "USB::0x1234::0x5678::SN01::0::RAW",
        "ASRL1",
        "ASRL/dev/ttyUSB0::INSTR",
    ],
)
def test_a_resource_is_one_to_the_library_too(address: str) -> None:
    """What a bench file may name can be opened, in small letters as well."""
    assert is_resource(address)
    ResourceName.from_string(with_class(address))


@pytest.mark.parametrize(
    "address",
    [
        "foo::bar",
        "A",
        "TCPIP::h::5025::6::SOCKET",
        "TCPIP::::5025::SOCKET",
        "TCPIP9::nothing::like::this",
        "TCPIP::[::1]::5025::SOCKET",
        "USB0::0x1234::INSTR",
        "PXI0::1::INSTR",
        "TCPIP0",
        "GPIB0",
        "ASRL",
    ],
)
def test_what_the_library_cannot_open_is_refused(address: str) -> None:
    """Both refuse it: the bench file before anything is opened."""
    assert not is_resource(address)
    with pytest.raises(InvalidResourceName):
        ResourceName.from_string(with_class(address))
