// A thermal zone that reads what the host writes into its window: temperature and critical value in tenths of
// kelvin, and for how many milliseconds an answer is held back (ACPI 6.4, 11.4 Thermal Objects).
DefinitionBlock ("", "SSDT", 2, "BENCH", "ZONE", 1)
{
    Scope (\_SB)
    {
        OperationRegion (WIN, SystemMemory, 0x1E000000, 0x10)
        Field (WIN, DWordAcc, NoLock, Preserve)
        {
            HEAT, 32,
            HOLD, 32,
            CRIT, 32
        }
        ThermalZone (TZ0)
        {
            Method (_TMP, 0, Serialized)
            {
                // In pieces: the kernel cuts a sleep short at two seconds.
                Local0 = HOLD
                While (Local0 >= 1000)
                {
                    Sleep (1000)
                    Local0 -= 1000
                }
                Return (HEAT)
            }
            Method (_CRT) { Return (CRIT) }
        }
    }
}
