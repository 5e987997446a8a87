package modbus_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"ovenward/drivers"
	"ovenward/drivers/contact"
	"ovenward/drivers/driverstest"
	"ovenward/drivers/modbus"
	"ovenward/drivers/serialport"
)

// TestPeers reads the servers of two independent libraries, over a serial line
// that a third program makes of two terminals, and over TCP.
func TestPeers(t *testing.T) {
	for _, peer := range []struct {
		name    string
		command func(t *testing.T) []string
		all     bool // it has numbers of all types
	}{
		{"pymodbus", func(t *testing.T) []string {
			return []string{driverstest.Python(t, "pymodbus.server.async_io"), "testdata/pymodbus_server.py"}
		}, true},
		{"libmodbus", func(t *testing.T) []string {
			return []string{driverstest.Compile(t, "testdata/libmodbus_server.c", "-I/usr/include/modbus", "-lmodbus")}
		}, false},
	} {
		t.Run(peer.name, func(t *testing.T) {
			command := peer.command(t)
			t.Run("rtu", func(t *testing.T) {
				near, far := driverstest.SerialPair(t)
				driverstest.Start(t, command[0], append(command[1:], "rtu", far)...)
				l, err := serialport.Dial(serialport.Options{Path: near, Baud: 9600})(context.Background())
				if err != nil {
					t.Fatal(err)
				}
				defer l.Close()
				readPeer(t, l, "rtu", peer.all)
				readContacts(t, l, "rtu")
			})
			t.Run("tcp", func(t *testing.T) {
				port := driverstest.FreePort(t)
				driverstest.Start(t, command[0], append(command[1:], "tcp", port)...)
				l := driverstest.DialTCP(t, port)
				readPeer(t, l, "tcp", peer.all)
				readContacts(t, l, "tcp")
			})
		})
	}
}

// peerNumbers are what the servers hold, and where.
func peerNumbers(all bool) (numbers []struct {
	r    modbus.Register
	want string
}) {
	add := func(at int, kind, order, want string) {
		numbers = append(numbers, struct {
			r    modbus.Register
			want string
		}{modbus.Register{Address: at, Type: kind, Order: order}, want})
	}
	add(0, "float32", "ABCD", "1.2345")
	add(2, "float32", "DCBA", "2.3456")
	add(4, "float32", "BADC", "5.1234")
	add(6, "float32", "CDAB", "0.1234")
	add(32, "int16", "ABCD", "-2")
	add(32, "uint16", "", "65534")
	add(33, "uint16", "ABCD", "65535")
	add(33, "int16", "ABCD", "-1")
	if !all {
		return numbers
	}
	for i, order := range []string{"ABCDEFGH", "HGFEDCBA", "BADCFEHG", "GHEFCDAB"} {
		add(8+4*i, "float64", order, "1.23456789012345")
	}
	for i, order := range []string{"ABCD", "DCBA", "BADC", "CDAB"} {
		add(24+2*i, "int32", order, "-123456")
		add(24+2*i, "uint32", order, "4294843840")
	}
	add(34, "int16", "DCBA", "-2")
	add(35, "float32", "ABCD", "")
	return numbers
}

// linked is a link that is open already.
type linked struct{ drivers.Link }

func (linked) Close() error { return nil }

// readContacts reads coils and discrete inputs as a contact does.
func readContacts(t *testing.T, l drivers.Link, framing string) {
	for function, on := range map[int][]bool{1: {false, true, false, true}, 2: {true, false, true, false}} {
		for address := range 5 {
			c, err := modbus.NewCoil(modbus.CoilOptions{Framing: framing, UnitID: 1, Function: function, Address: address})
			if err != nil {
				t.Fatal(err)
			}
			r := contact.Ask(func(context.Context) (drivers.Link, error) { return linked{l}, nil }, c, time.Second, time.Now)
			got, err := r.Read(t.Context())
			switch {
			case address == len(on) && (err == nil || !strings.Contains(err.Error(), "exception 2")):
				t.Errorf("contact %d by function %d: %v, %v, want exception 2", address, function, got, err)
			case address < len(on) && (err != nil || got != on[address]):
				t.Errorf("contact %d by function %d: %v, %v, want %v", address, function, got, err, on[address])
			}
			<-time.After(modbus.Silence(9600)) // between frames, which the link is to keep elsewhere
		}
	}
}

func readPeer(t *testing.T, l drivers.Link, framing string, all bool) {
	options := modbus.Options{Framing: framing, UnitID: 1, Function: 3, Unit: "W/m2"}
	ask := func(o modbus.Options) (drivers.Reading, error) {
		t.Helper()
		p := made(t, o)
		frames := driverstest.Ask(t, l, p, p.Request())
		if len(frames) != 1 {
			t.Fatalf("%d frames, want one", len(frames))
		}
		// The silence between frames, which the link is to keep elsewhere.
		<-time.After(modbus.Silence(9600))
		return driverstest.Parse(p, frames[0].Bytes)
	}
	for _, n := range peerNumbers(all) {
		for o, name := options, ""; o.Function <= 4; o.Function++ {
			o.Value, name = n.r, n.r.Type+" "+n.r.Order
			r, err := ask(o)
			switch {
			case err != nil:
				t.Errorf("%s at %d by function %d: %v", name, n.r.Address, o.Function, err)
			case n.want == "" && (r.HasValue || r.Status != drivers.Fault):
				t.Errorf("%s at %d by function %d: %+v, want a fault, as it is not a number", name, n.r.Address, o.Function, r)
			case n.want != "" && (!r.HasValue || r.Value.String() != n.want):
				t.Errorf("%s at %d by function %d: %+v, want %s", name, n.r.Address, o.Function, r, n.want)
			}
		}
	}
	// Holding and input registers are told apart.
	for o, want := options, []string{3: "3", 4: "4"}; o.Function <= 4; o.Function++ {
		o.Value = modbus.Register{Address: 99, Type: "uint16"}
		if r, err := ask(o); err != nil || r.Value.String() != want[o.Function] {
			t.Errorf("register 99 by function %d: %+v, %v, want %s", o.Function, r, err, want[o.Function])
		}
	}
	// A server of 100 registers gives 4 from 96, and answers to 5 with exception
	// 2 (vendors' pages on the address rule).
	o := options
	o.Address, o.Count, o.Value = 96, 4, modbus.Register{Address: 97, Type: "int16"}
	if r, err := ask(o); err != nil || r.Value.String() != "0" {
		t.Errorf("4 registers from 96: %+v, %v, want 0", r, err)
	}
	o.Count = 5
	if r, err := ask(o); err == nil || !strings.Contains(err.Error(), "exception 2, illegal data address") {
		t.Errorf("5 registers from 96: %+v, %v, want exception 2", r, err)
	}
	// All 100 at once, with many things in them.
	o = options
	o.Address, o.Count, o.Value = 0, 100, modbus.Register{Address: 6, Type: "float32", Order: "CDAB"}
	o.Axes = []modbus.Register{{Address: 0, Type: "float32"}, {Address: 2, Type: "float32", Order: "DCBA"}, {Address: 4, Type: "float32", Order: "BADC"}}
	o.Temperature = &modbus.Register{Address: 32, Type: "int16", Scale: drivers.Decimal{Digits: 1, Exp: -1}}
	o.Battery, o.BatteryUnit = &modbus.Register{Address: 33, Type: "uint16", Scale: drivers.Decimal{Digits: 1, Exp: -3}}, "V"
	o.Status = &modbus.Status{Address: 99, OverRangeBits: []int{0}, BatteryLowBits: []int{1}}
	r, err := ask(o)
	if err != nil || r.Value.String() != "0.1234" || !r.HasAxes || r.Axes[2].String() != "5.1234" || r.Temperature.String() != "-0.2" ||
		r.Battery.String() != "65.535" || r.Status != drivers.OverRange|drivers.BatteryLow {
		t.Errorf("all registers: %+v, %v", r, err)
	}
}
