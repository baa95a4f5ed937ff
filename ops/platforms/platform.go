package platforms

import (
	"bytes"
	"context"
	"debug/buildinfo"
	_ "embed"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
)

// Platform is one that the rules are built for.
type Platform struct {
	Name  string
	os    string // GOOS
	arch  string // GOARCH
	level string // GOAMD64
	qemu  string // what Debian's qemu-user calls the architecture
}

// Platforms are all that are known; the first four are compared when nobody names others.
var Platforms = []Platform{
	{Name: "amd64-v1", os: "linux", arch: "amd64", level: "v1", qemu: "x86_64"},
	{Name: "amd64-v3", os: "linux", arch: "amd64", level: "v3", qemu: "x86_64"},
	{Name: "arm64", os: "linux", arch: "arm64", qemu: "aarch64"},
	{Name: "wasm", os: "wasip1", arch: "wasm"},
	{Name: "386", os: "linux", arch: "386", qemu: "i386"},
	{Name: "riscv64", os: "linux", arch: "riscv64", qemu: "riscv64"},
	{Name: "ppc64le", os: "linux", arch: "ppc64le", qemu: "ppc64le"},
	{Name: "s390x", os: "linux", arch: "s390x", qemu: "s390x"},
}

// Usual are those that are compared when nobody names others.
func Usual() []Platform { return Platforms[:4] }

// Named are the platforms of some names.
func Named(names []string) ([]Platform, error) {
	var list []Platform
	for _, name := range names {
		i := 0
		for i < len(Platforms) && Platforms[i].Name != name {
			i++
		}
		if i == len(Platforms) {
			var known []string
			for _, p := range Platforms {
				known = append(known, p.Name)
			}
			return nil, fmt.Errorf("%q is not a platform; there are %s", name, strings.Join(known, ", "))
		}
		list = append(list, Platforms[i])
	}
	return list, nil
}

// program is what answers on a platform: a command line that takes the word of what to do behind it.
type program struct {
	name    string
	command []string
}

// absent says why a platform cannot be had on this machine.
type absent struct{ why string }

func (a absent) Error() string { return a.why }

//go:embed wasi.mjs
var wasi []byte

// build makes the platform's program in folder and asks it whether it is what it should be. The error is an absent
// when this machine has nothing to run it with.
func (p Platform) build(ctx context.Context, folder string) (program, error) {
	file := filepath.Join(folder, p.Name)
	runner, err := p.runner(folder)
	if err != nil {
		return program{}, err
	}
	cmd := exec.CommandContext(ctx, "go", "build", "-trimpath", "-buildvcs=false", "-o", file, "gatewright/ops/platforms/answer")
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0", "GOFLAGS=", "GOOS="+p.os, "GOARCH="+p.arch, "GOAMD64="+p.level)
	if out, err := cmd.CombinedOutput(); err != nil {
		return program{}, fmt.Errorf("building for %s: %w\n%s", p.Name, err, out)
	}
	made := program{p.Name, append(runner, file)}
	out, err := made.cmd(ctx, "platform").CombinedOutput()
	if err != nil {
		// Go's start-up says so and exits where the processor has less than the program was built for.
		if strings.Contains(string(out), "microarchitecture") {
			return program{}, absent{"this processor cannot: " + strings.TrimSpace(string(out))}
		}
		return program{}, fmt.Errorf("starting the program for %s: %w\n%s", p.Name, err, out)
	}
	if got, want := strings.TrimSpace(string(out)), p.os+"/"+p.arch; got != want {
		return program{}, fmt.Errorf("the program for %s says that it runs on %s", p.Name, got)
	}
	return made, p.levelOf(file)
}

// levelOf makes sure of GOAMD64, which a program cannot tell of itself at no cost.
func (p Platform) levelOf(file string) error {
	if p.level == "" {
		return nil
	}
	info, err := buildinfo.ReadFile(file)
	if err != nil {
		return fmt.Errorf("reading how the program for %s was built: %w", p.Name, err)
	}
	for _, s := range info.Settings {
		if s.Key == "GOAMD64" && s.Value == p.level {
			return nil
		}
	}
	return fmt.Errorf("the program for %s was not built with GOAMD64=%s", p.Name, p.level)
}

// runner is what stands in front of the program on this machine: nothing for its own kind, else an emulator or node.
func (p Platform) runner(folder string) ([]string, error) {
	if p.arch == "wasm" {
		node, err := exec.LookPath("node")
		if err != nil {
			return nil, absent{"node is not installed (20 or later)"}
		}
		host := filepath.Join(folder, "wasi.mjs")
		if err := os.WriteFile(host, wasi, 0o644); err != nil {
			return nil, fmt.Errorf("writing the host of the wasm program: %w", err)
		}
		return []string{node, "--no-warnings", host}, nil
	}
	if p.os != runtime.GOOS {
		return nil, absent{"programs for " + p.os + " do not run on " + runtime.GOOS}
	}
	if p.arch == runtime.GOARCH || p.arch == "386" && runtime.GOARCH == "amd64" {
		return nil, nil
	}
	for _, name := range []string{"qemu-" + p.qemu, "qemu-" + p.qemu + "-static"} {
		if path, err := exec.LookPath(name); err == nil {
			return []string{path}, nil
		}
	}
	return nil, absent{"qemu-" + p.qemu + " is not installed (Debian: 'apt-get install qemu-user')"}
}

func (m program) cmd(ctx context.Context, words ...string) *exec.Cmd {
	line := append(append([]string{}, m.command...), words...)
	return exec.CommandContext(ctx, line[0], line[1:]...)
}

// tail keeps the end of what a program complained.
type tail struct{ bytes.Buffer }

func (t *tail) Write(b []byte) (int, error) {
	n, err := t.Buffer.Write(b)
	if over := t.Len() - 4096; over > 0 {
		t.Next(over)
	}
	return n, err
}
