package crash

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"syscall"
)

// ErrNoMount is given where no small disk can be made: it needs Linux and the right to mount.
var ErrNoMount = errors.New("no small disk can be mounted here")

// disk is a small disk in memory.
type disk struct{ folder string }

// newDisk mounts a disk of so many bytes at a folder that it makes. Others may reach it: PostgreSQL does not run as
// root.
func newDisk(size int) (*disk, error) {
	folder, err := os.MkdirTemp("", "gwdisk")
	if err != nil {
		return nil, err
	}
	if err := syscall.Mount("tmpfs", folder, "tmpfs", 0, fmt.Sprintf("size=%d,mode=0755", size)); err != nil {
		return nil, errors.Join(fmt.Errorf("%w: %w", ErrNoMount, err), os.Remove(folder))
	}
	return &disk{folder}, nil
}

// unmount takes the disk away with all that is on it.
func (d *disk) unmount() error {
	return errors.Join(syscall.Unmount(d.folder, syscall.MNT_DETACH), os.Remove(d.folder))
}

// free is how many bytes can still be written.
func (d *disk) free() (int64, error) {
	var s syscall.Statfs_t
	if err := syscall.Statfs(d.folder, &s); err != nil {
		return 0, err
	}
	return int64(s.Bavail) * s.Bsize, nil
}

func (d *disk) ballast() string { return filepath.Join(d.folder, "ballast") }

// fill lets the ballast grow until only so many bytes are free.
func (d *disk) fill(leave int64) (err error) {
	f, err := os.OpenFile(d.ballast(), os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o600)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	free, err := d.free()
	if err != nil {
		return err
	}
	for block := make([]byte, 64<<10); free > leave; free -= int64(len(block)) {
		n, err := f.Write(block[:min(int64(len(block)), free-leave)])
		if errors.Is(err, syscall.ENOSPC) {
			return nil
		}
		if err != nil {
			return fmt.Errorf("writing ballast after %d bytes: %w", n, err)
		}
	}
	return nil
}

// relieve throws the ballast away.
func (d *disk) relieve() error { return os.Remove(d.ballast()) }
