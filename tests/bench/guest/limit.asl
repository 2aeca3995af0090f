// Three clocks of the processor (ACPI 6.4, 8.4.5 Processor Performance Control, over ports that nobody answers at),
// and a thermal zone that has the kernel step down through them above its passive trip point (11.1.5). Temperatures
// in tenths of kelvin by the host's window; looked at every second.
DefinitionBlock ("", "SSDT", 2, "BENCH", "LIMIT", 1)
{
    External (\_SB.CPUS.C000, ProcessorObj)
    External (\_SB.CPUS.C001, ProcessorObj)
    Scope (\_SB)
    {
        Name (CLKS, Package () {
            Package () { 3000, 10000, 10, 10, 0, 0 },
            Package () { 2000, 7000, 10, 10, 1, 1 },
            Package () { 1000, 4000, 10, 10, 2, 2 }
        })
        Name (PORT, Package () {
            ResourceTemplate () { Register (SystemIO, 8, 0, 0x0510, 1) },
            ResourceTemplate () { Register (SystemIO, 8, 0, 0x0511, 1) }
        })
        OperationRegion (WIN, SystemMemory, 0x1E000000, 0x10)
        Field (WIN, DWordAcc, NoLock, Preserve)
        {
            HEAT, 32,
            HOLD, 32,
            CRIT, 32
        }
        ThermalZone (TZ0)
        {
            Method (_TMP) { Return (HEAT) }
            Method (_CRT) { Return (CRIT) }
            Name (_PSV, 3532)
            Name (_TC1, 1)
            Name (_TC2, 2)
            Name (_TSP, 10)
            Name (_TZP, 10)
            Name (_PSL, Package () { \_SB.CPUS.C000, \_SB.CPUS.C001 })
        }
    }
    Scope (\_SB.CPUS.C000)
    {
        Method (_PSS) { Return (CLKS) }
        Method (_PCT) { Return (PORT) }
        Method (_PPC) { Return (0) }
    }
    Scope (\_SB.CPUS.C001)
    {
        Method (_PSS) { Return (CLKS) }
        Method (_PCT) { Return (PORT) }
        Method (_PPC) { Return (0) }
    }
}
