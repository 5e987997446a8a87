package main

import (
	"ovenward/config"
	"ovenward/drivers"
	"ovenward/drivers/modbus"
	"ovenward/drivers/scpi"
)

func newSCPI(p config.Probe) (drivers.Protocol, error) {
	x := p.SCPI
	o := scpi.Options{
		Query: x.Query, Terminator: x.Terminator, Unit: x.Unit,
		Columns: x.Columns, ValueColumn: x.Value, TemperatureColumn: x.Temperature,
		BatteryColumn: x.Battery, BatteryUnit: x.BatteryUnit,
		InfinityIsFault: x.InfinityIsFault, NotANumberFaults: x.NotANumberIsFault,
		NoIdentity: !x.Identity, NoErrors: !x.Errors,
	}
	copy(o.AxisColumns[:], x.Axes)
	return scpi.New(o)
}

func newModbus(p config.Probe) (drivers.Protocol, error) {
	x := p.Modbus
	o := modbus.Options{
		Framing: x.Framing, UnitID: x.UnitID, Function: x.Function, Address: x.Address, Count: x.Count,
		Unit: x.Unit, BatteryUnit: x.BatteryUnit,
		Value: register(*x.Value), Temperature: optional(x.Temperature), Battery: optional(x.Battery),
	}
	for _, a := range x.Axes {
		o.Axes = append(o.Axes, register(a))
	}
	if s := x.Status; s != nil {
		o.Status = &modbus.Status{
			Address: s.Register, Mask: s.Mask,
			OverRangeBits: s.OverRangeBits, FaultBits: s.FaultBits, BatteryLowBits: s.BatteryLowBits, OKBits: s.OKBits,
			OverRangeCodes: s.OverRangeCodes, FaultCodes: s.FaultCodes, BatteryLowCodes: s.BatteryLowCodes, OKCodes: s.OKCodes,
		}
	}
	return modbus.New(o)
}

func register(n config.ModbusNumber) modbus.Register {
	return modbus.Register{Address: n.Register, Type: n.Type, Order: n.Order, Scale: n.Scale, Offset: n.Offset,
		OverRange: n.OverRange, Fault: n.Fault}
}

func optional(n *config.ModbusNumber) *modbus.Register {
	if n == nil {
		return nil
	}
	r := register(*n)
	return &r
}
