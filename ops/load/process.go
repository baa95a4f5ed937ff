package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"time"
)

// startWithin bounds how long a server may take to say that it is ready.
const startWithin = 2 * time.Minute

// stopWithin is how long a server has to end by itself.
const stopWithin = 15 * time.Second

// process is a server at work.
type process struct {
	cmd     *exec.Cmd
	origin  string        // what it said behind "ready "
	took    time.Duration // from start to ready
	logPath string
	ended   chan struct{} // its output has ended
}

// launch starts a program and waits for its line "ready ORIGIN". What else it says goes into a file.
func launch(ctx context.Context, logPath string, env []string, name string, args ...string) (*process, error) {
	c := exec.Command(name, args...)
	c.Env = append(os.Environ(), env...)
	return launchCommand(ctx, c, logPath)
}

func launchCommand(ctx context.Context, c *exec.Cmd, logPath string) (*process, error) {
	name := c.Path
	logFile, err := os.Create(logPath)
	if err != nil {
		return nil, err
	}
	p := &process{cmd: c, logPath: logPath, ended: make(chan struct{})}
	p.cmd.Stderr = logFile
	out, err := p.cmd.StdoutPipe()
	if err != nil {
		return nil, errors.Join(err, logFile.Close())
	}
	begun := time.Now()
	if err := p.cmd.Start(); err != nil {
		return nil, errors.Join(fmt.Errorf("starting %s: %w", filepath.Base(name), err), logFile.Close())
	}
	ready := make(chan string, 1)
	go func() {
		defer close(p.ended)
		defer logFile.Close()
		lines := bufio.NewScanner(out)
		for lines.Scan() {
			if origin, ok := strings.CutPrefix(lines.Text(), "ready "); ok {
				select {
				case ready <- origin:
				default:
				}
				continue
			}
			fmt.Fprintln(logFile, lines.Text())
		}
		_, _ = io.Copy(io.Discard, out)
	}()
	select {
	case p.origin = <-ready:
		p.took = time.Since(begun)
		return p, nil
	case <-p.ended:
		err = errors.New("it ended before it was ready")
	case <-time.After(startWithin):
		err = errors.New("it did not become ready")
	case <-ctx.Done():
		err = ctx.Err()
	}
	_ = p.cmd.Process.Kill()
	_ = p.cmd.Wait()
	return nil, fmt.Errorf("starting %s: %w: %s", filepath.Base(name), err, tail(logPath))
}

// tail is the end of a log, on one line, for a message.
func tail(path string) string {
	b, err := os.ReadFile(path)
	if err != nil {
		return "no log"
	}
	text := strings.Join(strings.Fields(string(b)), " ")
	if len(text) > 300 {
		text = "… " + text[len(text)-300:]
	}
	return text
}

// explain adds the end of the log to an error of a server that has ended by itself.
func (p *process) explain(err error) error {
	if err == nil || p == nil {
		return err
	}
	select {
	case <-p.ended:
		return fmt.Errorf("%w; the server ended: %s", err, tail(p.logPath))
	case <-time.After(200 * time.Millisecond):
		return err
	}
}

// stop ends the process as a service manager would, and by force when it does not obey.
func (p *process) stop() {
	if p == nil {
		return
	}
	_ = p.cmd.Process.Signal(syscall.SIGTERM)
	select {
	case <-p.ended:
	case <-time.After(stopWithin):
		_ = p.cmd.Process.Kill()
	}
	_ = p.cmd.Wait() // how it ended is in its log
}
