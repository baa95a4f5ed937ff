// Command barefiber is the floor that an idle phone's memory is measured against: the web framework of
// api/httpapi with the same settings, and a WebSocket that has one goroutine, blocked in a read. It echoes and
// keeps nothing. POST /debug/free collects and gives memory back to the system.
package main

import (
	"fmt"
	"net"
	"os"
	"runtime/debug"
	"time"

	"github.com/gofiber/contrib/websocket"
	"github.com/gofiber/fiber/v2"
	"github.com/gofiber/fiber/v2/middleware/recover"
)

func main() {
	app := fiber.New(fiber.Config{
		DisableStartupMessage: true, BodyLimit: 1 << 20,
		ReadTimeout: 30 * time.Second, IdleTimeout: 2 * time.Minute, ReadBufferSize: 16 << 10, ReduceMemoryUsage: true, Immutable: true,
	})
	app.Use(recover.New())
	app.Post("/debug/free", func(c *fiber.Ctx) error {
		debug.FreeOSMemory()
		return c.SendStatus(fiber.StatusOK)
	})
	app.Get("/echo", websocket.New(func(c *websocket.Conn) {
		for {
			kind, frame, err := c.ReadMessage()
			if err != nil || c.WriteMessage(kind, frame) != nil {
				return
			}
		}
	}, websocket.Config{HandshakeTimeout: 10 * time.Second}))
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err == nil {
		fmt.Printf("ready http://%s\n", listener.Addr())
		err = app.Listener(listener)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "barefiber:", err)
		os.Exit(1)
	}
}
