"""Which function codes the requests of a plan take (Modbus Application Protocol V1.1b3, 6.1 to 6.16)."""

from __future__ import annotations

from typing import Final

from wherry.packing.layout import WriteRequest
from wherry.plan.model import BitWrites, Controller, Span, Table

READ_FUNCTIONS: Final = {Table.COIL: 0x01, Table.DISCRETE: 0x02, Table.HOLDING: 0x03, Table.INPUT: 0x04}
MASK_WRITE: Final = 0x16
WRITE_FUNCTIONS: Final = {Table.COIL: 0x0F, Table.HOLDING: 0x10}
WRITE_SINGLE_FUNCTIONS: Final = {Table.COIL: 0x05, Table.HOLDING: 0x06}


def write_functions(controller: Controller, write: WriteRequest) -> tuple[int | None, ...]:
    """The functions that one write takes, in their order; None for a table that cannot be written."""
    if write.is_mask and controller.bit_writes is BitWrites.READ_CHANGE_WRITE:
        read = READ_FUNCTIONS[Table.HOLDING]
        return (read, _write_function(controller, write.span), read)
    return (MASK_WRITE if write.is_mask else _write_function(controller, write.span),)


def _write_function(controller: Controller, span: Span) -> int | None:
    if controller.write_single and span.count == 1:
        return WRITE_SINGLE_FUNCTIONS.get(span.table)
    return WRITE_FUNCTIONS.get(span.table)
