package usbtmc

import (
	"os"

	"golang.org/x/sys/unix"
)

const (
	// setTimeout is USBTMC_IOCTL_SET_TIMEOUT of Linux' include/uapi/linux/usb/tmc.h,
	// _IOW(91, 10, __u32), as amd64, arm64 and arm number it; a test compiles the header.
	setTimeout = 0x40045B0A

	// kernelWait is how long the kernel waits for a reply, in milliseconds. It
	// bounds how long a device that is gone can keep Close.
	kernelWait = 2000
)

// boundWait tells the kernel how long to wait for a reply. Without it the
// driver's own bound holds; a stand-in for the device knows no such request.
func boundWait(f *os.File) {
	raw, err := f.SyscallConn()
	if err != nil {
		return
	}
	_ = raw.Control(func(fd uintptr) { _ = unix.IoctlSetPointerInt(int(fd), setTimeout, kernelWait) })
}
