package main

import (
	"ovenward/config"
	"ovenward/drivers/textline"
)

func textlineMore(m config.TextlineMore) textline.More {
	return textline.More{
		AxisColumns: m.Axes, TemperatureColumn: m.Temperature, BatteryColumn: m.Battery,
		TemperatureUnit: m.TemperatureUnit, BatteryUnit: m.BatteryUnit,
		Number: m.Number, Scale: m.Scale, TemperatureScale: m.TemperatureScale, BatteryScale: m.BatteryScale,
		Checksum: textline.Checksum{Name: m.Checksum, Mark: m.ChecksumMark, From: m.ChecksumFrom,
			WithMark: m.ChecksumWithMark, LowFirst: m.ChecksumLowFirst},
	}
}
