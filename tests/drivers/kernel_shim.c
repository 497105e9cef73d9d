/* Owns: the ioctls of an I2C adapter and of a GPIO chip, for one process that is started with this library preloaded.
 *
 * Must not know: chips, sensors.
 * How it works: the structures are those of the kernel's own headers, so a library that fills them wrongly is found
 * out. Each call is told in one line to a socket, whose other end (a test) answers with an errno and the bytes read.
 * Everything else goes to the C library. An adapter is any file; a GPIO chip is a symbolic link to /dev/null.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <linux/gpio.h>
#include <linux/i2c-dev.h>
#include <linux/i2c.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

static FILE *far_end(void)
{
    static FILE *stream;
    if (!stream) {
        struct sockaddr_un name = { .sun_family = AF_UNIX };
        int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
        strncpy(name.sun_path, getenv("FAKE_KERNEL"), sizeof name.sun_path - 1);
        if (connect(fd, (struct sockaddr *)&name, sizeof name))
            abort();
        stream = fdopen(fd, "r+");
        setvbuf(stream, NULL, _IONBF, 0);
    }
    return stream;
}

static int told(const char *line, char *answer, size_t size)
{
    if (fputs(line, far_end()) < 0 || !fgets(answer, (int)size, far_end()))
        abort();
    errno = atoi(answer);
    return errno ? -1 : 0;
}

static int transfer(struct i2c_rdwr_ioctl_data *data)
{
    static char line[65536], answer[65536];
    char *end = line + sprintf(line, "i2c");
    for (unsigned i = 0; i < data->nmsgs; i++) {
        struct i2c_msg *m = &data->msgs[i];
        end += sprintf(end, " %u:%u:%u:", m->addr, m->flags, m->len);
        for (unsigned k = 0; k < m->len && !(m->flags & I2C_M_RD); k++)
            end += sprintf(end, "%02x", m->buf[k]);
    }
    sprintf(end, "\n");
    if (told(line, answer, sizeof answer))
        return -1;
    char *next = strchr(answer, ' ');
    for (unsigned i = 0; i < data->nmsgs; i++) {
        struct i2c_msg *m = &data->msgs[i];
        for (unsigned k = 0; k < m->len && (m->flags & I2C_M_RD); k++, next += 2)
            sscanf(next + (k == 0), "%2hhx", &m->buf[k]), next += k == 0;
    }
    return (int)data->nmsgs;
}

static int level(unsigned long long bits)
{
    char line[32], answer[64];
    sprintf(line, "gpio %d\n", (int)(bits & 1));
    return told(line, answer, sizeof answer);
}

static int get_line(struct gpio_v2_line_request *request)
{
    if (request->num_lines != 1 || request->offsets[0] != 1 || !(request->config.flags & GPIO_V2_LINE_FLAG_OUTPUT)) {
        errno = EINVAL;
        return -1;
    }
    for (unsigned i = 0; i < request->config.num_attrs; i++)
        if (request->config.attrs[i].attr.id == GPIO_V2_LINE_ATTR_ID_OUTPUT_VALUES)
            if (level(request->config.attrs[i].attr.values))
                return -1;
    request->fd = open("/dev/null", O_RDWR | O_CLOEXEC);
    return request->fd < 0 ? -1 : 0;
}

int ioctl(int fd, unsigned long request, ...)
{
    static int (*real)(int, unsigned long, void *);
    va_list list;
    va_start(list, request);
    void *data = va_arg(list, void *);
    va_end(list);
    switch ((unsigned)request) {
    case I2C_FUNCS:
        *(unsigned long *)data = strtoul(getenv("FAKE_I2C_FUNCS"), NULL, 0);
        return 0;
    case I2C_RDWR:
        return transfer(data);
    case (unsigned)GPIO_GET_CHIPINFO_IOCTL:
        *(struct gpiochip_info *)data = (struct gpiochip_info){ .name = "gpiochip0", .label = "pinctrl", .lines = 2 };
        return 0;
    case (unsigned)GPIO_V2_GET_LINEINFO_IOCTL: {
        struct gpio_v2_line_info *info = data;
        unsigned offset = info->offset;
        memset(info, 0, sizeof *info);
        info->offset = offset;
        info->flags = GPIO_V2_LINE_FLAG_INPUT;
        strcpy(info->name, offset ? "GPIO25" : "GPIO24");
        return 0;
    }
    case (unsigned)GPIO_V2_GET_LINE_IOCTL:
        return get_line(data);
    case (unsigned)GPIO_V2_LINE_SET_VALUES_IOCTL:
        return level(((struct gpio_v2_line_values *)data)->bits);
    }
    if (!real)
        real = dlsym(RTLD_NEXT, "ioctl");
    return real(fd, request, data);
}

/* The library takes a character device for a GPIO chip when its folder in /sys leads here. */
char *realpath(const char *path, char *resolved)
{
    static char *(*real)(const char *, char *);
    size_t length = strlen(path);
    if (!resolved && !strncmp(path, "/sys/dev/char/", 14) && length > 10 && !strcmp(path + length - 10, "/subsystem"))
        return strdup("/sys/bus/gpio");
    if (!real)
        real = dlvsym(RTLD_NEXT, "realpath", "GLIBC_2.3");
    return real(path, resolved);
}
