/* The registers that this port uses, named as in the reference manual of the STM32F401 (RM0368), which those of the F411
 * (RM0383) and F405 (RM0090) agree with as far as this goes: RCC, FLASH, GPIO, SYSCFG, EXTI, TIM2 to TIM5, USART, SPI,
 * I2C, ADC, IWDG, OTG_FS. SysTick and NVIC: ARMv7-M's. All recalled. */
#ifndef REGISTERS_H
#define REGISTERS_H

#include <stdint.h>

#define REGISTER(address) (*(volatile uint32_t *)(address))
#define BIT(number) (1u << (number))

/* ---- clocks and resets */

#define RCC_CR REGISTER(0x40023800u)
#define RCC_CR_HSEON BIT(16)
#define RCC_CR_HSERDY BIT(17)
#define RCC_CR_CSSON BIT(19)
#define RCC_CR_PLLON BIT(24)
#define RCC_CR_PLLRDY BIT(25)
#define RCC_PLLCFGR REGISTER(0x40023804u)
#define RCC_PLLCFGR_USED 0x0F437FFFu
#define RCC_PLLCFGR_PLLN(factor) ((uint32_t)(factor) << 6)
#define RCC_PLLCFGR_PLLP_4 (1u << 16)
#define RCC_PLLCFGR_PLLSRC_HSE BIT(22)
#define RCC_PLLCFGR_PLLQ(divisor) ((uint32_t)(divisor) << 24)
#define RCC_CFGR REGISTER(0x40023808u)
#define RCC_CFGR_SW_PLL 2u
#define RCC_CFGR_SWS (3u << 2)
#define RCC_CFGR_SWS_PLL (2u << 2)
#define RCC_CFGR_PPRE1_2 (4u << 10)
#define RCC_AHB1ENR REGISTER(0x40023830u)
#define RCC_AHB1ENR_GPIOA BIT(0)
#define RCC_AHB1ENR_GPIOB BIT(1)
#define RCC_AHB2ENR REGISTER(0x40023834u)
#define RCC_AHB2ENR_OTGFS BIT(7)
#define RCC_APB1ENR REGISTER(0x40023840u)
#define RCC_APB1ENR_TIM2 BIT(0)
#define RCC_APB1ENR_TIM3 BIT(1)
#define RCC_APB1ENR_TIM4 BIT(2)
#define RCC_APB1ENR_TIM5 BIT(3)
#define RCC_APB1ENR_SPI2 BIT(14)
#define RCC_APB1ENR_I2C1 BIT(21)
#define RCC_APB2ENR REGISTER(0x40023844u)
#define RCC_APB2ENR_USART1 BIT(4)
#define RCC_APB2ENR_ADC1 BIT(8)
#define RCC_APB2ENR_SYSCFG BIT(14)
#define RCC_CSR REGISTER(0x40023874u)
#define RCC_CSR_RMVF BIT(24)
#define RCC_CSR_BORRSTF BIT(25)
#define RCC_CSR_PINRSTF BIT(26)
#define RCC_CSR_PORRSTF BIT(27)
#define RCC_CSR_SFTRSTF BIT(28)
#define RCC_CSR_IWDGRSTF BIT(29)

#define FLASH_ACR REGISTER(0x40023C00u)
#define FLASH_ACR_LATENCY_2 2u
#define FLASH_ACR_PRFTEN BIT(8)
#define FLASH_ACR_ICEN BIT(9)
#define FLASH_ACR_DCEN BIT(10)

/* ---- pins: two bits for each in MODER, OSPEEDR and PUPDR, four in AFR */

#define GPIOA 0x40020000u
#define GPIOB 0x40020400u
#define GPIO_MODER(port) REGISTER((port) + 0x00u)
#define GPIO_OTYPER(port) REGISTER((port) + 0x04u)
#define GPIO_OSPEEDR(port) REGISTER((port) + 0x08u)
#define GPIO_PUPDR(port) REGISTER((port) + 0x0Cu)
#define GPIO_IDR(port) REGISTER((port) + 0x10u)
#define GPIO_BSRR(port) REGISTER((port) + 0x18u)
#define GPIO_AFR(port, pin) REGISTER((port) + 0x20u + 4u * ((pin) / 8u))
#define GPIO_MODE_INPUT 0u
#define GPIO_MODE_OUTPUT 1u
#define GPIO_MODE_ALTERNATE 2u
#define GPIO_MODE_ANALOG 3u
#define GPIO_PULL_NONE 0u
#define GPIO_PULL_UP 1u
#define ALTERNATE_I2C 4u
#define ALTERNATE_SPI2 5u
#define ALTERNATE_USART1 7u
#define ALTERNATE_OTG_FS 10u

#define SYSCFG_EXTICR(line) REGISTER(0x40013808u + 4u * ((line) / 4u))
#define EXTICR_PORT_B(line) (1u << 4u * ((line) % 4u))
#define EXTI_IMR REGISTER(0x40013C00u)
#define EXTI_RTSR REGISTER(0x40013C08u)
#define EXTI_FTSR REGISTER(0x40013C0Cu)
#define EXTI_PR REGISTER(0x40013C14u)

/* ---- timers: 2 and 5 have 32 bits, 3 and 4 have 16 */

#define TIM2 0x40000000u
#define TIM3 0x40000400u
#define TIM4 0x40000800u
#define TIM5 0x40000C00u
#define TIM_CR1(timer) REGISTER((timer) + 0x00u)
#define TIM_CR1_CEN BIT(0)
#define TIM_CR1_URS BIT(2)
#define TIM_DIER(timer) REGISTER((timer) + 0x0Cu)
#define TIM_DIER_UIE BIT(0)
#define TIM_SR(timer) REGISTER((timer) + 0x10u)
#define TIM_SR_UIF BIT(0)
#define TIM_EGR(timer) REGISTER((timer) + 0x14u)
#define TIM_EGR_UG BIT(0)
#define TIM_CNT(timer) REGISTER((timer) + 0x24u)
#define TIM_PSC(timer) REGISTER((timer) + 0x28u)
#define TIM_ARR(timer) REGISTER((timer) + 0x2Cu)

/* ---- lines */

#define USART1_SR REGISTER(0x40011000u)
#define USART_SR_ORE BIT(3)
#define USART_SR_RXNE BIT(5)
#define USART_SR_TXE BIT(7)
#define USART1_DR REGISTER(0x40011004u)
#define USART1_BRR REGISTER(0x40011008u)
#define USART1_CR1 REGISTER(0x4001100Cu)
#define USART_CR1_RE BIT(2)
#define USART_CR1_TE BIT(3)
#define USART_CR1_RXNEIE BIT(5)
#define USART_CR1_TXEIE BIT(7)
#define USART_CR1_UE BIT(13)

#define SPI2_CR1 REGISTER(0x40003800u)
#define SPI_CR1_CPHA BIT(0)
#define SPI_CR1_MSTR BIT(2)
#define SPI_CR1_BR_64 (5u << 3)
#define SPI_CR1_SPE BIT(6)
#define SPI_CR1_SSI BIT(8)
#define SPI_CR1_SSM BIT(9)
#define SPI2_SR REGISTER(0x40003808u)
#define SPI_SR_RXNE BIT(0)
#define SPI2_DR REGISTER(0x4000380Cu)

#define I2C1_CR1 REGISTER(0x40005400u)
#define I2C_CR1_PE BIT(0)
#define I2C_CR1_START BIT(8)
#define I2C_CR1_STOP BIT(9)
#define I2C_CR1_ACK BIT(10)
#define I2C_CR1_SWRST BIT(15)
#define I2C1_CR2 REGISTER(0x40005404u)
#define I2C1_DR REGISTER(0x40005410u)
#define I2C1_SR1 REGISTER(0x40005414u)
#define I2C_SR1_SB BIT(0)
#define I2C_SR1_ADDR BIT(1)
#define I2C_SR1_BTF BIT(2)
#define I2C_SR1_RXNE BIT(6)
#define I2C_SR1_TXE BIT(7)
#define I2C_SR1_AF BIT(10)
#define I2C1_SR2 REGISTER(0x40005418u)
#define I2C1_CCR REGISTER(0x4000541Cu)
#define I2C_CCR_FS BIT(15)
#define I2C1_TRISE REGISTER(0x40005420u)

#define ADC1_SR REGISTER(0x40012000u)
#define ADC_SR_EOC BIT(1)
#define ADC1_CR2 REGISTER(0x40012008u)
#define ADC_CR2_ADON BIT(0)
#define ADC_CR2_SWSTART BIT(30)
#define ADC1_SMPR2 REGISTER(0x40012010u)
#define ADC_SMPR2_84_CYCLES(channel) (4u << 3u * (channel))
#define ADC1_SQR3 REGISTER(0x40012034u)
#define ADC1_DR REGISTER(0x4001204Cu)
#define ADC_CCR REGISTER(0x40012304u)
#define ADC_CCR_ADCPRE_4 (1u << 16)
#define ADC_CCR_TSVREFE BIT(23)

/* ---- watchdog */

#define IWDG_KR REGISTER(0x40003000u)
#define IWDG_KR_WRITE 0x5555u
#define IWDG_KR_RELOAD 0xAAAAu
#define IWDG_KR_START 0xCCCCu
#define IWDG_PR REGISTER(0x40003004u)
#define IWDG_PR_4 0u
#define IWDG_RLR REGISTER(0x40003008u)
#define IWDG_SR REGISTER(0x4000300Cu)

/* ---- USB: full speed, as a device */

#define OTG_FS 0x50000000u
#define OTG_GAHBCFG REGISTER(OTG_FS + 0x008u)
#define OTG_GAHBCFG_GINTMSK BIT(0)
#define OTG_GUSBCFG REGISTER(OTG_FS + 0x00Cu)
#define OTG_GUSBCFG_PHYSEL BIT(6)
#define OTG_GUSBCFG_TRDT_6 (6u << 10)
#define OTG_GUSBCFG_FDMOD BIT(30)
#define OTG_GRSTCTL REGISTER(OTG_FS + 0x010u)
#define OTG_GRSTCTL_CSRST BIT(0)
#define OTG_GRSTCTL_RXFFLSH BIT(4)
#define OTG_GRSTCTL_TXFFLSH BIT(5)
#define OTG_GRSTCTL_TXFNUM_ALL (0x10u << 6)
#define OTG_GRSTCTL_AHBIDL BIT(31)
#define OTG_GINTSTS REGISTER(OTG_FS + 0x014u)
#define OTG_GINTMSK REGISTER(OTG_FS + 0x018u)
#define OTG_RXFLVL BIT(4)
#define OTG_USBRST BIT(12)
#define OTG_ENUMDNE BIT(13)
#define OTG_IEPINT BIT(18)
#define OTG_OEPINT BIT(19)
#define OTG_GRXSTSP REGISTER(OTG_FS + 0x020u)
#define OTG_GRXSTSP_EPNUM(word) ((word) & 15u)
#define OTG_GRXSTSP_BCNT(word) ((word) >> 4 & 0x7FFu)
#define OTG_GRXSTSP_PKTSTS(word) ((word) >> 17 & 15u)
#define OTG_PKTSTS_OUT_DATA 2u
#define OTG_PKTSTS_SETUP_DATA 6u
#define OTG_GRXFSIZ REGISTER(OTG_FS + 0x024u)
#define OTG_DIEPTXF0 REGISTER(OTG_FS + 0x028u)
#define OTG_DIEPTXF(number) REGISTER(OTG_FS + 0x100u + 4u * (number))
#define OTG_GCCFG REGISTER(OTG_FS + 0x038u)
#define OTG_GCCFG_PWRDWN BIT(16)
#define OTG_GCCFG_NOVBUSSENS BIT(21)
#define OTG_DCFG REGISTER(OTG_FS + 0x800u)
#define OTG_DCFG_DSPD_FULL 3u
#define OTG_DCFG_DAD (0x7Fu << 4)
#define OTG_DCTL REGISTER(OTG_FS + 0x804u)
#define OTG_DCTL_SDIS BIT(1)
#define OTG_DIEPMSK REGISTER(OTG_FS + 0x810u)
#define OTG_DOEPMSK REGISTER(OTG_FS + 0x814u)
#define OTG_DAINT REGISTER(OTG_FS + 0x818u)
#define OTG_DAINTMSK REGISTER(OTG_FS + 0x81Cu)
#define OTG_DAINT_IN(number) BIT(number)
#define OTG_DAINT_OUT(number) BIT(16u + (number))
#define OTG_DIEPCTL(number) REGISTER(OTG_FS + 0x900u + 0x20u * (number))
#define OTG_DIEPINT(number) REGISTER(OTG_FS + 0x908u + 0x20u * (number))
#define OTG_DIEPTSIZ(number) REGISTER(OTG_FS + 0x910u + 0x20u * (number))
#define OTG_DOEPCTL(number) REGISTER(OTG_FS + 0xB00u + 0x20u * (number))
#define OTG_DOEPINT(number) REGISTER(OTG_FS + 0xB08u + 0x20u * (number))
#define OTG_DOEPTSIZ(number) REGISTER(OTG_FS + 0xB10u + 0x20u * (number))
#define OTG_EPCTL_USBAEP BIT(15)
#define OTG_EPCTL_BULK (2u << 18)
#define OTG_EPCTL_INTERRUPT (3u << 18)
#define OTG_EPCTL_STALL BIT(21)
#define OTG_EPCTL_TXFNUM(number) ((uint32_t)(number) << 22)
#define OTG_EPCTL_CNAK BIT(26)
#define OTG_EPCTL_SNAK BIT(27)
#define OTG_EPCTL_SD0PID BIT(28)
#define OTG_EPCTL_EPDIS BIT(30)
#define OTG_EPCTL_EPENA BIT(31)
#define OTG_EPINT_XFRC BIT(0)
#define OTG_DOEPINT_STUP BIT(3)
#define OTG_EPTSIZ_PKTCNT_1 BIT(19)
#define OTG_DOEPTSIZ0_STUPCNT_3 (3u << 29)
#define OTG_PCGCCTL REGISTER(OTG_FS + 0xE00u)
#define OTG_FIFO(number) REGISTER(OTG_FS + 0x1000u * ((number) + 1u))

/* ---- processor */

#define STK_CTRL REGISTER(0xE000E010u)
#define STK_CTRL_ENABLE BIT(0)
#define STK_CTRL_TICKINT BIT(1)
#define STK_CTRL_CLKSOURCE BIT(2)
#define STK_LOAD REGISTER(0xE000E014u)
#define STK_VAL REGISTER(0xE000E018u)
#define NVIC_ISER(interrupt) REGISTER(0xE000E100u + 4u * ((interrupt) / 32u))
#define NVIC_ICER(interrupt) REGISTER(0xE000E180u + 4u * ((interrupt) / 32u))
#define NVIC_BIT(interrupt) BIT((interrupt) % 32u)
/* a byte for each interrupt, of which the highest four bits count */
#define NVIC_IPR(interrupt) (*(volatile uint8_t *)(0xE000E400u + (interrupt)))
#define SCB_SHPR3 REGISTER(0xE000ED20u)

#define INTERRUPT_EXTI9_5 23u
#define INTERRUPT_TIM3 29u
#define INTERRUPT_TIM4 30u
#define INTERRUPT_USART1 37u
#define INTERRUPT_EXTI15_10 40u
#define INTERRUPT_TIM5 50u
#define INTERRUPT_OTG_FS 67u

#endif
