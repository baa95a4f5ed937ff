package main

import (
	"bytes"
	"fmt"
	"os"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// tick is the unit of CPU times in /proc: USER_HZ is 100 on every Linux platform that Go runs on (proc(5)).
const tick = 10 * time.Millisecond

// cpu is the user and system time of the process so far, all its threads, ended ones too. It counts in ticks.
func (p *process) cpu() (time.Duration, error) {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", p.cmd.Process.Pid))
	if err != nil {
		return 0, fmt.Errorf("reading CPU time: %w", err)
	}
	// The name, field 2, may hold spaces; utime and stime are fields 14 and 15.
	f := bytes.Fields(b[bytes.LastIndexByte(b, ')')+1:])
	if len(f) < 13 {
		return 0, fmt.Errorf("reading CPU time: %d fields", len(f))
	}
	var sum time.Duration
	for _, field := range f[11:13] {
		n, err := strconv.ParseInt(string(field), 10, 64)
		if err != nil {
			return 0, fmt.Errorf("reading CPU time: %w", err)
		}
		sum += time.Duration(n) * tick
	}
	return sum, nil
}

// memory gives the resident set of the process, now and at its greatest, in bytes.
func (p *process) memory() (now, peak int64, err error) {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", p.cmd.Process.Pid))
	if err != nil {
		return 0, 0, fmt.Errorf("reading memory: %w", err)
	}
	field := func(name string) int64 {
		_, rest, _ := strings.Cut(string(b), "\n"+name+":")
		rest, _, _ = strings.Cut(rest, "kB")
		n, _ := strconv.ParseInt(strings.TrimSpace(rest), 10, 64)
		return n << 10
	}
	now, peak = field("VmRSS"), field("VmHWM")
	if now == 0 || peak == 0 {
		return 0, 0, fmt.Errorf("reading memory: process %d has none", p.cmd.Process.Pid)
	}
	return now, peak, nil
}

// dataSync waits until what was written to the file is on the disk.
func dataSync(f *os.File) error { return syscall.Fdatasync(int(f.Fd())) }

// fileSystem names the type of file system that holds a path.
func fileSystem(path string) string {
	var s syscall.Statfs_t
	if err := syscall.Statfs(path, &s); err != nil {
		return "unknown"
	}
	// The magic numbers of statfs(2).
	names := map[int64]string{0xef53: "ext4", 0x58465342: "xfs", 0x9123683e: "btrfs", 0x01021994: "tmpfs", 0x794c7630: "overlay", 0x2fc12fc1: "zfs"}
	if name, ok := names[int64(s.Type)]; ok {
		return name
	}
	return fmt.Sprintf("type %#x", s.Type)
}
