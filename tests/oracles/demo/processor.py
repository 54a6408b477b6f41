"""The demonstration's processor: an assembler, a disassembler and a simulator of the instructions that its code uses.

Opcodes, lengths and effects are those of the processor's published instruction set, written down by hand from memory.
Anything that is not in the table is refused. Left out: the overflow flag, interrupts, the time that instructions take,
and decimal sums of digits over 9, which are refused too.
"""
import re

# Ways to name the operand: bytes behind the opcode, and how assemblers write it.
MODES = {"none": (0, ""), "a": (0, "A"), "imm": (1, "#{}"), "zp": (1, "{}"), "abs": (2, "{}"), "abs,y": (2, "{},Y"),
         "(zp),y": (1, "({}),Y"), "rel": (1, "{}")}
OPCODES = {
    "ADC": {"imm": 0x69, "abs": 0x6D, "(zp),y": 0x71}, "AND": {"imm": 0x29}, "BCC": {"rel": 0x90}, "BEQ": {"rel": 0xF0},
    "BNE": {"rel": 0xD0}, "CLC": {"none": 0x18}, "CLD": {"none": 0xD8}, "CLI": {"none": 0x58},
    "CMP": {"imm": 0xC9, "abs": 0xCD}, "CPY": {"imm": 0xC0}, "DEX": {"none": 0xCA}, "INC": {"zp": 0xE6},
    "INY": {"none": 0xC8}, "JMP": {"abs": 0x4C}, "JSR": {"abs": 0x20},
    "LDA": {"imm": 0xA9, "zp": 0xA5, "abs": 0xAD, "abs,y": 0xB9}, "LDX": {"imm": 0xA2}, "LDY": {"imm": 0xA0},
    "LSR": {"a": 0x4A}, "ORA": {"imm": 0x09}, "PHA": {"none": 0x48}, "PLA": {"none": 0x68}, "RTS": {"none": 0x60},
    "SBC": {"imm": 0xE9}, "SED": {"none": 0xF8}, "SEI": {"none": 0x78}, "STA": {"zp": 0x85, "abs": 0x8D},
}
BY_CODE = {code: (name, mode) for name, modes in OPCODES.items() for mode, code in modes.items()}
assert len(BY_CODE) == sum(map(len, OPCODES.values())), "an opcode stands twice in the table"


def signed(byte):
    return byte - 256 if byte > 127 else byte


def assemble(text, address):
    """One instruction, its operand a number such as `$C0A8`, to its bytes."""
    name, _, operand = text.partition(" ")
    if operand in ("", "A"):
        return bytes([OPCODES[name]["a" if operand else "none"]])
    digits = re.search(r"\$([0-9A-F]+)", operand)
    value, shape = int(digits[1], 16), operand.replace(digits[0], "{}")
    if "rel" in OPCODES[name]:
        distance = value - (address + 2)
        assert -128 <= distance <= 127, text
        return bytes([OPCODES[name]["rel"], distance & 255])
    (mode,) = [m for m in OPCODES[name] if MODES[m] == (len(digits[1]) // 2, shape)]
    return bytes([OPCODES[name][mode]]) + value.to_bytes(MODES[mode][0], "little")


def disassemble(code, address):
    """The first instruction of `code` as text, and its length."""
    name, mode = BY_CODE[code[0]]
    count, shape = MODES[mode]
    value = int.from_bytes(code[1:1 + count], "little")
    if mode == "rel":
        return f"{name} ${address + 2 + signed(value):04X}", 2
    return f"{name} {shape.format(f'${value:0{2 * count}X}')}".rstrip(), 1 + count


class Processor:
    def __init__(self, memory, pc):
        self.memory, self.pc, self.sp = memory, pc, 0xFF
        self.a = self.x = self.y = 0
        self.carry = self.zero = self.negative = self.decimal = self.interrupts_wait = False

    def push(self, value):
        self.memory[0x100 + self.sp] = value
        self.sp = (self.sp - 1) & 255

    def pull(self):
        self.sp = (self.sp + 1) & 255
        return self.memory[0x100 + self.sp]

    def word(self, at, wrap=0xFFFF):
        return self.memory[at] | self.memory[(at & ~wrap) | ((at + 1) & wrap)] << 8

    def flags(self, value):
        self.zero, self.negative = value & 255 == 0, bool(value & 128)
        return value & 255

    def compare(self, register, value):
        self.carry = register >= value
        self.flags(register - value)

    def add(self, value, sign):
        """Adds, or for sign -1 subtracts: then carry set means that nothing was borrowed."""
        def number(byte):
            if not self.decimal:
                return byte
            assert byte & 15 < 10 and byte >> 4 < 10, f"{byte:02X} is no decimal number"
            return 10 * (byte >> 4) + (byte & 15)
        base = 100 if self.decimal else 256
        total = number(self.a) + sign * number(value) + (self.carry if sign > 0 else self.carry - 1)
        self.carry = total >= base if sign > 0 else total >= 0
        total %= base
        self.a = self.flags(total // 10 << 4 | total % 10 if self.decimal else total)

    def step(self):
        name, mode = BY_CODE[self.memory[self.pc]]
        count = MODES[mode][0]
        at = self.pc + 1
        self.pc += 1 + count
        if mode in ("zp", "abs", "abs,y"):
            at = int.from_bytes(bytes(self.memory[at:at + count]), "little") + (self.y if mode == "abs,y" else 0)
        elif mode == "(zp),y":
            at = self.word(self.memory[at], 0xFF) + self.y
        elif mode == "rel":
            at = self.pc + signed(self.memory[at])
        at &= 0xFFFF
        match name:
            case "ADC": self.add(self.memory[at], 1)
            case "SBC": self.add(self.memory[at], -1)
            case "AND": self.a = self.flags(self.a & self.memory[at])
            case "ORA": self.a = self.flags(self.a | self.memory[at])
            case "BCC": self.pc = self.pc if self.carry else at
            case "BEQ": self.pc = at if self.zero else self.pc
            case "BNE": self.pc = self.pc if self.zero else at
            case "CLC": self.carry = False
            case "CLD" | "SED": self.decimal = name == "SED"
            case "CLI" | "SEI": self.interrupts_wait = name == "SEI"
            case "CMP": self.compare(self.a, self.memory[at])
            case "CPY": self.compare(self.y, self.memory[at])
            case "DEX": self.x = self.flags(self.x - 1)
            case "INY": self.y = self.flags(self.y + 1)
            case "INC": self.memory[at] = self.flags(self.memory[at] + 1)
            case "JMP": self.pc = at
            case "JSR":
                back = self.pc - 1
                self.push(back >> 8)
                self.push(back & 255)
                self.pc = at
            case "RTS": self.pc = (self.pull() | self.pull() << 8) + 1
            case "LDA": self.a = self.flags(self.memory[at])
            case "LDX": self.x = self.flags(self.memory[at])
            case "LDY": self.y = self.flags(self.memory[at])
            case "LSR":
                self.carry = bool(self.a & 1)
                self.a = self.flags(self.a >> 1)
            case "PHA": self.push(self.a)
            case "PLA": self.a = self.flags(self.pull())
            case "STA": self.memory[at] = self.a
