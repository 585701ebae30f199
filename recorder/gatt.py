"""The GATT table: our own node's service, and the Environmental Sensing Service of the Bluetooth SIG.

A node advertises ``NODE_SERVICE``. Each notification of ``FROM_NODE`` carries one frame body (no COBS); the host writes
one frame body at a time to ``TO_NODE``, without response where it fits the connection's size.
"""

NODE_SERVICE = "5b0e0001-8d3c-4f6a-a1c7-2e94d07b6c15"
FROM_NODE = "5b0e0002-8d3c-4f6a-a1c7-2e94d07b6c15"
"""Properties: notify."""
TO_NODE = "5b0e0003-8d3c-4f6a-a1c7-2e94d07b6c15"
"""Properties: write without response, write."""


def sig_uuid(number: int) -> str:
    """The 128-bit form of a UUID that the Bluetooth SIG assigned (Core Specification, Vol 3 Part B 2.5.1)."""
    return f"{number:08x}-0000-1000-8000-00805f9b34fb"


ENVIRONMENTAL_SENSING = sig_uuid(0x181A)
PRESSURE = sig_uuid(0x2A6D)
TEMPERATURE = sig_uuid(0x2A6E)
HUMIDITY = sig_uuid(0x2A6F)
MEASUREMENT_DESCRIPTOR = sig_uuid(0x290C)
"""ES Measurement: flags u16, sampling function u8, measurement period u24, update interval u24, application u8, ..."""
