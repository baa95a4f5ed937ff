package crash

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"time"
)

// Build builds the program into a folder and gives its path.
func Build(ctx context.Context, folder string) (string, error) {
	bin := filepath.Join(folder, "gatewright")
	if out, err := exec.CommandContext(ctx, "go", "build", "-trimpath", "-o", bin, "gatewright/api/gatewright").CombinedOutput(); err != nil {
		return "", fmt.Errorf("building gatewright: %w\n%s", err, out)
	}
	return bin, nil
}

// origin is what the server is told that its address is, so that a start has nothing new to write down.
const origin = "http://gates.example"

// readyWithin bounds the wait for a start, recovery of the database included.
const readyWithin = 60 * time.Second

// server is one run of gatewright serve, in a process group of its own.
type server struct {
	cmd  *exec.Cmd
	base string // http://localhost:port
	said *tail

	once sync.Once
	gone chan struct{} // closed when the process has ended
	err  error         // how it ended
}

// errEnded is a server that ended before it was ready.
var errEnded = errors.New("the server ended before it was ready")

// start runs the program and waits until it is ready. early is called with the running process before that.
func (t *Trial) start(early func(*server)) (*server, error) {
	cmd := exec.Command(t.bin, "serve", "--data", t.store.Folder(), "--port", "0", "--origin", origin)
	cmd.Env = append(os.Environ(), t.store.Environment()...)
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	s := &server{cmd: cmd, said: &tail{}, gone: make(chan struct{})}
	cmd.Stderr = s.said
	out, err := cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := cmd.Start(); err != nil {
		return nil, fmt.Errorf("starting gatewright: %w", err)
	}
	if early != nil {
		early(s)
	}
	ready := make(chan string, 1)
	go func() {
		lines := bufio.NewScanner(out)
		for lines.Scan() {
			if base, ok := strings.CutPrefix(lines.Text(), "ready "); ok {
				ready <- base
				_, _ = io.Copy(io.Discard, out)
			}
		}
		s.err = cmd.Wait()
		close(s.gone)
	}()
	select {
	case s.base = <-ready:
		return s, nil
	case <-s.gone:
		select { // it may have been ready for a moment
		case s.base = <-ready:
			return s, nil
		default:
		}
		return s, fmt.Errorf("%w: %v: %s", errEnded, s.err, s.said)
	case <-time.After(readyWithin):
		s.kill()
		return s, fmt.Errorf("the server was not ready within %v: %s", readyWithin, s.said)
	}
}

// strike kills the whole process group, with no chance to put anything in order. It does not wait.
func (s *server) strike() {
	s.once.Do(func() { _ = syscall.Kill(-s.cmd.Process.Pid, syscall.SIGKILL) })
}

// kill strikes and waits until the process is gone.
func (s *server) kill() {
	s.strike()
	<-s.gone
}

// alive reports that the process runs.
func (s *server) alive() bool {
	select {
	case <-s.gone:
		return false
	default:
		return true
	}
}

// stop asks the server to end and waits for it.
func (s *server) stop() error {
	if err := s.cmd.Process.Signal(syscall.SIGTERM); err != nil && !errors.Is(err, os.ErrProcessDone) {
		return err
	}
	<-s.gone
	if s.err != nil {
		return fmt.Errorf("stopping gatewright: %w: %s", s.err, s.said)
	}
	return nil
}

// console runs a command of the program to its end and gives what it printed.
func (t *Trial) console(ctx context.Context, args ...string) (string, error) {
	args = append(args, "--data", t.store.Folder())
	cmd := exec.CommandContext(ctx, t.bin, args...)
	cmd.Env = append(os.Environ(), t.store.Environment()...)
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err := cmd.Run(); err != nil {
		return out.String(), fmt.Errorf("gatewright %s: %w: %s%s", strings.Join(args, " "), err, errs.String(), out.String())
	}
	return out.String(), nil
}

// tail keeps the end of what a process says.
type tail struct {
	mu sync.Mutex
	b  []byte
}

const tailSize = 16 << 10

func (t *tail) Write(b []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.b = append(t.b, b...)
	if n := len(t.b); n > 2*tailSize {
		t.b = append(t.b[:0], t.b[n-tailSize:]...)
	}
	return len(b), nil
}

// String gives the end, and is what was said once the process is gone.
func (t *tail) String() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	return string(t.b[max(0, len(t.b)-tailSize):])
}
