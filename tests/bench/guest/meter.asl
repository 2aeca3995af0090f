// A power meter that reads milliwatts which the host writes into its window (ACPI 6.4, 10.4 Power Meters).
DefinitionBlock ("", "SSDT", 2, "BENCH", "METER", 1)
{
    Scope (\_SB)
    {
        OperationRegion (WIN, SystemMemory, 0x1E000000, 0x10)
        Field (WIN, DWordAcc, NoLock, Preserve)
        {
            POWR, 32
        }
        Device (MTR0)
        {
            Name (_HID, "ACPI000D")
            // It can measure, in milliwatts, what goes in, exactly, and anew after half a second.
            Name (_PMC, Package (14) { 1, 0, 0, 100000, 500, 500, 1000, 0, 0, 0, 0, "METER", "1", "BENCH" })
            Name (_PMD, Package () {})
            Method (_PMM) { Return (POWR) }
        }
    }
}
